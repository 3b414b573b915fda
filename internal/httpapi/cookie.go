package httpapi

import (
	"errors"
	"log/slog"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"time"

	"readback/internal/account"
	"readback/internal/fault"
	"readback/internal/token"
)

// Cookie carries the access token for browsers, RefreshCookie the refresh token. The __Host- prefix ties them to this
// host and to HTTPS; on localhost browsers accept them over plain HTTP.
const (
	Cookie        = "__Host-readback"
	RefreshCookie = "__Host-readback-refresh"
)

func cookie(name, value string, until time.Time) *http.Cookie {
	return &http.Cookie{Name: name, Value: value, Path: "/", Expires: until, HttpOnly: true, Secure: true, SameSite: http.SameSiteStrictMode}
}

func setCookies(w http.ResponseWriter, p account.Pair) {
	http.SetCookie(w, cookie(Cookie, p.Access, p.Granted.Expires))
	http.SetCookie(w, cookie(RefreshCookie, p.Refresh, p.Session.ExpiresAt))
}

func dropCookies(w http.ResponseWriter) {
	for _, name := range []string{Cookie, RefreshCookie} {
		gone := cookie(name, "", time.Time{})
		gone.MaxAge = -1
		http.SetCookie(w, gone)
	}
}

// notRenewed are the routes where a sign-in that is about to run out must be left alone: they begin one of their own, or
// have nothing to do with any.
func notRenewed(path string) bool {
	for _, prefix := range []string{"/assets/", "/v1/sign-in", "/v1/refresh", "/v1/join", "/v1/resets", "/healthz", "/readyz"} {
		if strings.HasPrefix(path, prefix) {
			return true
		}
	}
	return false
}

// renewing goes on with the sessions of browsers, whose scripts see no token: a request that comes without a good access
// cookie but with a refresh cookie gets new ones with its answer, whatever the answer is, and is served as if it had come
// with them. Several requests of one page may come with the same cookies at once; all get good ones.
//
// Both cookies are SameSite=Strict, so no other site's page can set this off. A page of another origin of the same site
// can send them; it is kept from it by what its browser says of the origin, also where the request changes nothing.
func (s *Server) renewing(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		refresh, err := r.Cookie(RefreshCookie)
		if err != nil || r.Header.Get("Authorization") != "" || notRenewed(r.URL.Path) || !ownPage(r) {
			next.ServeHTTP(w, r)
			return
		}
		if access, err := r.Cookie(Cookie); err == nil {
			if _, err := s.Sessions.Check(access.Value); err == nil || !errors.Is(err, token.ErrExpired) {
				next.ServeHTTP(w, r)
				return
			}
		}
		pair, err := s.Sessions.Exchange(r.Context(), address(r), r.UserAgent(), refresh.Value, true)
		switch {
		case err == nil:
			setCookies(w, pair)
			r = withCookie(r, pair.Access)
		case fault.Is(err, fault.SignInNeeded):
			dropCookies(w)
			s.Log.LogAttrs(r.Context(), slog.LevelDebug, "session not renewed", slog.Any("cause", err))
		case strings.HasPrefix(r.URL.Path, "/v1/"):
			s.adapt(func(http.ResponseWriter, *http.Request) error { return err }, anyParameters).ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r) // a page can be shown while the database does not answer
	})
}

// ownPage reports whether the request is from a page of this origin, from the address bar, or from no browser: by Fetch
// Metadata and by Origin, whichever there is.
func ownPage(r *http.Request) bool {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
	default:
		return false
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && strings.EqualFold(u.Host, r.Host)
}

// withCookie is the request as if it had come with that access cookie.
func withCookie(r *http.Request, access string) *http.Request {
	next := r.Clone(r.Context())
	next.Header.Del("Cookie")
	for _, c := range r.Cookies() {
		if c.Name != Cookie {
			next.AddCookie(c)
		}
	}
	next.AddCookie(&http.Cookie{Name: Cookie, Value: access})
	return next
}

// address is the caller's as the network gives it, or one's own proxies (see behind); one that the server does not give
// is no address.
func address(r *http.Request) netip.Addr {
	from, _ := netip.ParseAddrPort(r.RemoteAddr)
	return from.Addr()
}
