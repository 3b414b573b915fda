package httpapi

import (
	"net/http"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/token"
	"readback/internal/wire"
)

// sessionRow is a session in a list.
type sessionRow struct {
	ID      stream.ID `json:"id"`
	Member  stream.ID `json:"member"`
	Created string    `json:"created"`
	Used    string    `json:"used"`
	Expires string    `json:"expires"`
	Origin  string    `json:"origin,omitempty"`
	Device  string    `json:"device,omitempty"`
	Current bool      `json:"current"`
}

// withSession is a route for signed-in members that wants to know by which session.
func (s *Server) withSession(h func(w http.ResponseWriter, r *http.Request, actor stream.Actor, access token.Access) error, parameters ...string) http.Handler {
	return s.forMembers(func(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
		access, err := s.claims(r)
		if err != nil {
			return err
		}
		return h(w, r, actor, access)
	}, parameters...)
}

// ofMember says whose sessions or invitations are meant: one's own, or those of a member whom an owner names.
func ofMember(actor stream.Actor, text string) (stream.ID, error) {
	if text == "" {
		return actor.Member, nil
	}
	member, err := stream.ParseID("member", text)
	if err != nil {
		return member, err
	}
	if member != actor.Member && !actor.Has(stream.Owner) {
		return member, fault.New(fault.NotYourRole, "Only an owner sees the sessions of others.")
	}
	return member, nil
}

// listSessions gives one's own sessions, or for an owner those of a member of the organisation.
func (s *Server) listSessions(w http.ResponseWriter, r *http.Request, actor stream.Actor, access token.Access) error {
	query := r.URL.Query()
	member, err := ofMember(actor, query.Get("member"))
	if err != nil {
		return err
	}
	if query.Has("member") && query.Get("member") == "" {
		return fault.Badly("member", "the id of a member")
	}
	all, err := s.Sessions.List(r.Context(), actor.Org, &member)
	if err != nil {
		return err
	}
	rows := make([]sessionRow, len(all))
	for i, one := range all {
		rows[i] = sessionRow{
			ID: one.ID, Member: one.Member, Created: wire.Instant(one.CreatedAt), Used: wire.Instant(one.UsedAt), Expires: wire.Instant(one.ExpiresAt),
			Origin: one.Origin, Device: one.Device, Current: one.ID == access.Session,
		}
	}
	return answer(w, map[string]any{"sessions": rows})
}

// endSession ends one session: one's own, or for an owner that of a member of the organisation. Any other is not there.
func (s *Server) endSession(w http.ResponseWriter, r *http.Request, actor stream.Actor, access token.Access) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	var member *stream.ID
	if !actor.Has(stream.Owner) {
		member = &actor.Member
	}
	all, err := s.Sessions.List(r.Context(), actor.Org, member)
	if err != nil {
		return err
	}
	for _, one := range all {
		if one.ID != id {
			continue
		}
		why := session.Revoked
		if id == access.Session {
			why = session.SignedOut
			dropCookies(w)
		}
		if err := s.Sessions.End(r.Context(), one.Person(), id, why); err != nil {
			return err
		}
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	return fault.New(fault.NotHere, "There is no such session.")
}

// password changes one's own password. It takes the old one, and as long and as often as a sign-in; all other sessions of
// the member end.
func (s *Server) password(w http.ResponseWriter, r *http.Request, actor stream.Actor, access token.Access) error {
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	old, next := o.String("old", 256), o.String("new", 256)
	if err := o.Close(); err != nil {
		return err
	}
	if err := s.Passwords.Change(r.Context(), address(r), access, old, next); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}
