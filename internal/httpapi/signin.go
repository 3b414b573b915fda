package httpapi

import (
	"fmt"
	"net/http"
	"net/netip"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/token"
	"readback/internal/wire"
)

// Cookie carries the access token for browsers. The __Host- prefix ties it to this host and to HTTPS; on localhost
// browsers accept it over plain HTTP.
const Cookie = "__Host-readback"

// maxSignIn is the largest body of a sign-in, in bytes: it is read before anybody is known, and holds two short texts.
const maxSignIn = 8 << 10

// actor finds who is asking: by the Authorization header of API clients or the cookie of browsers.
func (s *Server) actor(r *http.Request) (stream.Actor, error) {
	claims, err := s.claims(r)
	if err != nil {
		return stream.Actor{}, err
	}
	return s.Hub.Actor(r.Context(), claims.Org, claims.Member)
}

func (s *Server) claims(r *http.Request) (token.Access, error) {
	if h := r.Header.Get("Authorization"); h != "" {
		scheme, text, ok := strings.Cut(h, " ")
		if !ok || !strings.EqualFold(scheme, "Bearer") {
			return token.Access{}, fault.New(fault.SignInNeeded, "Sign in first.", fault.Field{Name: "Authorization", Want: "Bearer and the access token"})
		}
		return s.Tokens.Check(text)
	}
	if c, err := r.Cookie(Cookie); err == nil {
		return s.Tokens.Check(c.Value)
	}
	return token.Access{}, fault.New(fault.SignInNeeded, "Sign in first.")
}

// signIn answers a name and a password with an access token, or, if the client asks so, with a cookie that scripts
// cannot read.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, maxSignIn)
	raw, err := body(w, r)
	if fault.Is(err, fault.TooLarge) {
		return fault.New(fault.TooLarge, "The body is too large.", fault.Field{Name: "body", Want: fmt.Sprintf("at most %d bytes", maxSignIn)})
	}
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	login, password := o.String("login", 100), o.String("password", 256)
	asCookie := o.OptBool("cookie", false)
	if err := o.Close(); err != nil {
		return err
	}
	// What a header says of the address anybody can write; one that the server does not give is no address.
	from, _ := netip.ParseAddrPort(r.RemoteAddr)
	a, err := s.Accounts.SignIn(r.Context(), from.Addr(), login, password)
	if err != nil {
		return err
	}
	actor, err := s.Hub.Actor(r.Context(), a.Org, a.Member)
	if err != nil {
		return fault.New(fault.SignInFailed, "The name or the password is wrong.").Because(err)
	}
	text, access, err := s.Tokens.Issue(a.Org, a.Member)
	if err != nil {
		return err
	}
	reply := map[string]any{
		"expires": wire.Instant(access.Expires), "member": actor.Member, "org": actor.Org, "roles": actor.Roles,
	}
	if asCookie {
		http.SetCookie(w, &http.Cookie{Name: Cookie, Value: text, Path: "/", Expires: access.Expires, HttpOnly: true, Secure: true, SameSite: http.SameSiteStrictMode})
	} else {
		reply["token"] = text
	}
	return answer(w, reply)
}

// signOut drops the cookie and closes the sockets that were opened with this token. Whoever keeps the token itself can go
// on using it until it runs out: a token is checked by its signature alone.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) error {
	http.SetCookie(w, &http.Cookie{Name: Cookie, Path: "/", MaxAge: -1, HttpOnly: true, Secure: true, SameSite: http.SameSiteStrictMode})
	claims, err := s.claims(r)
	if err != nil {
		return err // a cookie that has run out goes all the same
	}
	s.Sockets.CloseToken(claims.ID)
	w.WriteHeader(http.StatusNoContent)
	return nil
}

func (s *Server) me(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	return answer(w, map[string]any{"member": actor.Member, "org": actor.Org, "roles": actor.Roles})
}
