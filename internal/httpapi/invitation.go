package httpapi

import (
	"net/http"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/wire"
)

// invitationRow is an invitation in a list and in the answer to its making.
type invitationRow struct {
	ID      stream.ID        `json:"id"`
	Member  stream.ID        `json:"member"`
	Kind    session.LinkKind `json:"kind"`
	Login   string           `json:"login"`
	Made    string           `json:"made"`
	Expires string           `json:"expires"`
	Link    string           `json:"link,omitempty"` // only where no mail is sent, and never again
}

// SignIn is a member's way in: the name, and whether it was closed.
type SignIn struct {
	Member   stream.ID `json:"member"`
	Login    string    `json:"login"`
	Disabled bool      `json:"disabled,omitempty"`
}

func rowOf(i session.Invitation) invitationRow {
	return invitationRow{ID: i.ID, Member: i.Member, Kind: i.Kind, Login: i.Login, Made: wire.Instant(i.MadeAt), Expires: wire.Instant(i.ExpiresAt)}
}

// linked answers with a new invitation, and with its link if there is one to show: under the address that the owner who
// asked reaches the server at, unless another was set.
func (s *Server) linked(w http.ResponseWriter, r *http.Request, i session.Invitation, path string) error {
	row := rowOf(i)
	if path != "" {
		row.Link = s.base(r) + path
	}
	return answer(w, row)
}

func (s *Server) base(r *http.Request) string {
	switch {
	case s.PublicURL != "":
		return s.PublicURL
	case r.TLS != nil:
		return "https://" + r.Host
	}
	return "http://" + r.Host
}

// memberOf reads the id of a member.
func memberOf(o *strict.Object) stream.ID {
	text := o.String("member", 36)
	id, err := stream.ParseID("member", text)
	if err != nil && text != "" {
		o.Reject("member", fault.Of(err).Fields[0].Want)
	}
	return id
}

func ownersOnly(actor stream.Actor) error {
	if !actor.Has(stream.Owner) {
		return fault.New(fault.NotYourRole, "Only an owner invites, and sees who is invited.")
	}
	return nil
}

func (s *Server) invite(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := ownersOnly(actor); err != nil {
		return err
	}
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	member, login := memberOf(o), o.String("login", 100)
	if err := o.Close(); err != nil {
		return err
	}
	i, path, err := s.Links.Invite(r.Context(), actor, member, login)
	if err != nil {
		return err
	}
	return s.linked(w, r, i, path)
}

// accounts says who of the organisation can sign in, and as whom.
func (s *Server) accounts(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := ownersOnly(actor); err != nil {
		return err
	}
	all, err := s.Lists.Accounts(r.Context(), actor.Org)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"accounts": all})
}

func (s *Server) invitations(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := ownersOnly(actor); err != nil {
		return err
	}
	all, err := s.Links.Open(r.Context(), actor.Org)
	if err != nil {
		return err
	}
	rows := make([]invitationRow, len(all))
	for i, one := range all {
		rows[i] = rowOf(one)
	}
	return answer(w, map[string]any{"invitations": rows})
}

func (s *Server) withdraw(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if err := ownersOnly(actor); err != nil {
		return err
	}
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	if err := s.Links.Withdraw(r.Context(), actor.Org, id); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// reset takes two: anybody who gives a sign-in name, who learns nothing from the answer, and an owner who names a member.
func (s *Server) reset(w http.ResponseWriter, r *http.Request) error {
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	if o.Has("login") {
		login := o.String("login", 100)
		if err := o.Close(); err != nil {
			return err
		}
		if err := s.Links.Ask(address(r), login); err != nil {
			return err
		}
		w.WriteHeader(http.StatusAccepted)
		return nil
	}
	member := memberOf(o)
	if err := o.Close(); err != nil {
		return err
	}
	actor, err := s.actor(r)
	if err != nil {
		return err
	}
	if err := ownersOnly(actor); err != nil {
		return err
	}
	i, path, err := s.Links.ResetOf(r.Context(), actor, member)
	if err != nil {
		return err
	}
	return s.linked(w, r, i, path)
}

// join sets a password by a link.
func (s *Server) join(w http.ResponseWriter, r *http.Request) error {
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	text, password := o.String("token", 100), o.String("password", 256)
	if err := o.Close(); err != nil {
		return err
	}
	login, err := s.Links.Join(r.Context(), address(r), text, password)
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"login": login})
}
