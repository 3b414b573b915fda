package httpapi

import (
	"fmt"
	"net/http"
	"strings"
	"time"

	"readback/internal/account"
	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/token"
	"readback/internal/wire"
)

// maxSignIn is the largest body of a sign-in, in bytes: it is read before anybody is known, and holds two short texts.
const maxSignIn = 8 << 10

// actor finds who is asking: by the Authorization header of API clients or the cookie of browsers. Who asks too often is
// refused before anything is looked up.
func (s *Server) actor(r *http.Request) (stream.Actor, error) {
	claims, err := s.claims(r)
	if err == nil {
		err = s.paces.take(claims.Person(), time.Now())
	}
	if err != nil {
		return stream.Actor{}, err
	}
	return s.unpaced(r)
}

// unpaced is actor, however often somebody asks.
func (s *Server) unpaced(r *http.Request) (stream.Actor, error) {
	claims, err := s.claims(r)
	if err != nil {
		return stream.Actor{}, err
	}
	if s.Heard != nil {
		s.Heard(claims.Person())
	}
	return s.Hub.Actor(r.Context(), claims.Org, claims.Member)
}

func (s *Server) claims(r *http.Request) (token.Access, error) {
	if h := r.Header.Get("Authorization"); h != "" {
		scheme, text, ok := strings.Cut(h, " ")
		if !ok || !strings.EqualFold(scheme, "Bearer") {
			return token.Access{}, fault.New(fault.SignInNeeded, "Sign in first.", fault.Field{Name: "Authorization", Want: "Bearer and the access token"})
		}
		return s.Sessions.Check(text)
	}
	if c, err := r.Cookie(Cookie); err == nil {
		return s.Sessions.Check(c.Value)
	}
	return token.Access{}, fault.New(fault.SignInNeeded, "Sign in first.")
}

// signIn begins a session for a name and a password. It answers with an access token and a refresh token, or, if the
// client asks so, with cookies that scripts cannot read.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	login, password := o.String("login", 100), o.String("password", 256)
	asCookie := o.OptBool("cookie", false)
	if err := o.Close(); err != nil {
		return err
	}
	a, err := s.Accounts.SignIn(r.Context(), address(r), login, password)
	if err != nil {
		return err
	}
	actor, err := s.Hub.Actor(r.Context(), a.Org, a.Member)
	switch {
	case fault.Is(err, fault.SignInNeeded): // retired
		return fault.New(fault.SignInFailed, "The name or the password is wrong.").Because(err)
	case err != nil:
		return err
	}
	pair, err := s.Sessions.Open(r.Context(), a, address(r), r.UserAgent())
	if err != nil {
		return err
	}
	return granted(w, pair, actor, asCookie)
}

// granted answers with a pair of tokens, or with cookies.
func granted(w http.ResponseWriter, pair account.Pair, actor stream.Actor, asCookie bool) error {
	reply := map[string]any{
		"expires": wire.Instant(pair.Granted.Expires), "session": pair.Session.ID, "session_expires": wire.Instant(pair.Session.ExpiresAt),
		"member": actor.Member, "org": actor.Org, "roles": actor.Roles,
	}
	if asCookie {
		setCookies(w, pair)
	} else {
		reply["token"], reply["refresh"] = pair.Access, pair.Refresh
	}
	return answer(w, reply)
}

// small reads a body that is read before anybody is known.
func small(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	r.Body = http.MaxBytesReader(w, r.Body, maxSignIn)
	raw, err := body(w, r)
	if fault.Is(err, fault.TooLarge) {
		return nil, fault.New(fault.TooLarge, "The body is too large.", fault.Field{Name: "body", Want: fmt.Sprintf("at most %d bytes", maxSignIn)})
	}
	return raw, err
}

// refresh exchanges a refresh token for a new pair. Browsers need not ask: see renewing.
func (s *Server) refresh(w http.ResponseWriter, r *http.Request) error {
	raw, err := small(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	text := o.String("refresh", 100)
	if err := o.Close(); err != nil {
		return err
	}
	pair, err := s.Sessions.Exchange(r.Context(), address(r), r.UserAgent(), text, false)
	if err != nil {
		return err
	}
	actor, err := s.Hub.Actor(r.Context(), pair.Session.Org, pair.Session.Member)
	if err != nil {
		return err
	}
	return granted(w, pair, actor, false)
}

// signOut ends the session, or all of the member's, and drops the cookies.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	dropCookies(w) // those that have run out go all the same
	claims, err := s.claims(r)
	if err != nil {
		return err
	}
	everywhere := false
	if r.ContentLength != 0 {
		raw, err := small(w, r)
		if err != nil {
			return err
		}
		o := strict.Read(raw, "")
		everywhere = o.OptBool("everywhere", false)
		if err := o.Close(); err != nil {
			return err
		}
	}
	if everywhere {
		if err := s.Sessions.EndAll(r.Context(), claims.Person(), nil, session.SignedOut); err != nil {
			return err
		}
	}
	if err := s.Sessions.SignOut(r.Context(), claims); err != nil {
		return err
	}
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) me(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	return answer(w, map[string]any{"member": actor.Member, "org": actor.Org, "roles": actor.Roles})
}
