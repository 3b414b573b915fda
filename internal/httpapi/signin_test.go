package httpapi_test

import (
	"crypto/ed25519"
	"encoding/base64"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/token"
)

type session struct {
	Token, Refresh, Expires, Member, Org string
	Session                              string
	SessionExpires                       string `json:"session_expires"`
	Roles                                []string
}

func TestSignIn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()

	got := nobody.Post("/v1/sign-in", `{"login":" Tamsin@North.example","password":"demo technician"}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	in := apptest.Read[session](nobody, got)
	require.Equal(t, "01940000-0000-7000-8000-0000000000a1", in.Member)
	require.Equal(t, "01940000-0000-7000-8000-0000000000a0", in.Org)
	require.Equal(t, []string{"technician"}, in.Roles)
	require.Empty(t, got.Header.Get("Set-Cookie"))
	expires, err := time.Parse(time.RFC3339, in.Expires)
	require.NoError(t, err)
	require.WithinDuration(t, time.Now().Add(10*time.Minute), expires, time.Minute, "the time the request took")

	me := nobody.With("Authorization", "bearer "+in.Token).Get("/v1/me") // RFC 9110, section 11.1: the scheme in any case
	require.Equal(t, http.StatusOK, me.Status, me.Body)
	require.JSONEq(t, `{"member":"01940000-0000-7000-8000-0000000000a1","org":"01940000-0000-7000-8000-0000000000a0","roles":["technician"]}`, me.Body)

	// Which of the two is wrong must not show.
	wrong := nobody.Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician "}`)
	problem(t, wrong, fault.SignInFailed)
	unknown := nobody.Post("/v1/sign-in", `{"login":"nobody@north.example","password":"demo technician"}`)
	require.Equal(t, wrong.Body, unknown.Body)
	require.Equal(t, wrong.Status, unknown.Status)

	for body, fields := range map[string][]string{
		`{"login":"tamsin@north.example"}`:                            {"password"},
		`{"password":"demo technician"}`:                              {"login"},
		`{"login":7,"password":true}`:                                 {"login", "password"},
		`{"login":"a","password":"b","remember":true}`:                {"remember"},
		`{"login":"a","password":"b","cookie":"yes"}`:                 {"cookie"},
		`{"login":"` + strings.Repeat("a", 101) + `","password":"b"}`: {"login"},
		`{"login":"a","password":"` + strings.Repeat("b", 257) + `"}`: {"password"},
	} {
		problem(t, nobody.Post("/v1/sign-in", body), fault.InvalidInput, fields...)
	}
}

// TestSignInIsBounded sends what strangers may send before anybody knows them. A header does not make another address of
// the caller's, whatever it says (RFC 7239, section 8.1).
func TestSignInIsBounded(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()
	fits := `{"login":"a","password":"b"` + strings.Repeat(" ", 8<<10-28) + `}`
	problem(t, nobody.Post("/v1/sign-in", fits+" "), fault.TooLarge, "body")
	problem(t, nobody.Post("/v1/sign-in", fits), fault.SignInFailed)

	tamsin := `{"login":"tamsin@north.example","password":"demo technician"}`
	for range 5 {
		problem(t, nobody.Post("/v1/sign-in", strings.Replace(tamsin, "demo", "wrong", 1)), fault.SignInFailed)
	}
	got := nobody.With("X-Forwarded-For", "192.0.2.7").With("Forwarded", "for=192.0.2.7").Post("/v1/sign-in", tamsin)
	problem(t, got, fault.TooMany)
	require.Regexp(t, `Try again in \d+ seconds`, got.Body)
	require.Contains(t, got.Body, "in "+got.Header.Get("Retry-After")+" seconds", "RFC 9110, section 10.2.3")
}

// given are the cookies that an answer sets.
func given(t *testing.T, a apptest.Answer) map[string]*http.Cookie {
	t.Helper()
	all := map[string]*http.Cookie{}
	for _, line := range a.Header.Values("Set-Cookie") {
		c, err := http.ParseSetCookie(line)
		require.NoError(t, err)
		require.NotContains(t, all, c.Name)
		all[c.Name] = c
	}
	return all
}

func TestCookie(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	got := s.Nobody().Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician","cookie":true}`)
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Empty(t, apptest.Read[session](s.Nobody(), got).Token, "what scripts can read must not hold the token")
	cookies := given(t, got)
	for name, lasts := range map[string]time.Duration{"__Host-readback": 10 * time.Minute, "__Host-readback-refresh": s.Config.SignInLasts} {
		cookie := cookies[name]
		require.NotNil(t, cookie, name)
		require.True(t, cookie.HttpOnly && cookie.Secure && cookie.Path == "/" && cookie.Domain == "") // what __Host- asks for
		require.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
		require.WithinDuration(t, time.Now().Add(lasts), cookie.Expires, time.Minute)
	}
	cookie := cookies["__Host-readback"]

	browser := s.Nobody().With("Cookie", httpapi.Cookie+"="+cookie.Value)
	require.Equal(t, http.StatusOK, browser.Get("/v1/me").Status)

	// A page of another origin, as a browser says it (Fetch Metadata; the Origin header of RFC 6454).
	job := apptest.NewStream(stream.Job)
	command := apptest.Body(stream.NewID(), 0, "open-job", apptest.OpeningJob)
	before := s.Stored()
	for _, foreign := range []*apptest.Client{
		browser.With("Sec-Fetch-Site", "cross-site"), browser.With("Sec-Fetch-Site", "same-site"),
		browser.With("Origin", "https://elsewhere.example"), browser.With("Origin", "null"),
	} {
		problem(t, foreign.Post(job.Path()+"/commands", command), fault.ForeignPage)
		problem(t, foreign.Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician"}`), fault.ForeignPage)
		problem(t, foreign.Post("/v1/sign-out", ``), fault.ForeignPage)
	}
	require.Equal(t, before, s.Stored())
	own := browser.With("Origin", s.URL).Post(job.Path()+"/commands", command)
	require.Equal(t, http.StatusOK, own.Status, own.Body)

	out := browser.Post("/v1/sign-out", "")
	require.Equal(t, http.StatusNoContent, out.Status, out.Body)
	for _, name := range []string{httpapi.Cookie, httpapi.RefreshCookie} {
		require.Negative(t, given(t, out)[name].MaxAge)
	}
	problem(t, browser.Get("/v1/me"), fault.SignInNeeded)
}

// TestTokens asks with what is not, or no longer, an access token of this server. The traps are those of RFC 8725 and of
// RFC 7519, sections 4.1 and 6.
func TestTokens(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	who := s.Person(apptest.Technician)
	issued := func(now time.Time, lasts time.Duration) string {
		text, _, err := s.Tokens(now, lasts).Issue(who.Org, who.Member, stream.NewID())
		require.NoError(t, err)
		return text
	}
	good := issued(time.Now(), time.Hour)
	parts := strings.Split(good, ".")
	kid := token.KeyID(s.Signs().Public().(ed25519.PublicKey))
	sign := func(method jwt.SigningMethod, key any, change func(*jwt.Token)) string {
		j := jwt.NewWithClaims(method, jwt.MapClaims{
			"iss": strings.SplitN(s.TrailKey(), "+", 2)[0], "aud": "readback", "sub": who.Member.String(), "org": who.Org.String(),
			"jti": stream.NewID().String(), "sid": stream.NewID().String(), "iat": time.Now().Unix(), "nbf": time.Now().Unix(), "exp": time.Now().Add(time.Hour).Unix(),
		})
		j.Header["typ"], j.Header["kid"] = token.Type, kid
		if change != nil {
			change(j)
		}
		text, err := j.SignedString(key)
		require.NoError(t, err)
		return text
	}
	_, stranger, err := ed25519.GenerateKey(nil)
	require.NoError(t, err)
	claim := func(name string, v any) func(*jwt.Token) {
		return func(j *jwt.Token) { j.Claims.(jwt.MapClaims)[name] = v }
	}
	eddsa, own := jwt.SigningMethodEdDSA, s.Signs()
	require.Equal(t, http.StatusOK, s.Nobody().With("Authorization", "Bearer "+sign(eddsa, own, nil)).Get("/v1/me").Status,
		"what follows differs from this in one thing each")

	for name, authorization := range map[string]string{
		"none":                                   "",
		"expired":                                "Bearer " + issued(time.Now().Add(-2*time.Hour), time.Hour),
		"not yet valid":                          "Bearer " + issued(time.Now().Add(time.Hour), time.Hour),
		"another's key":                          "Bearer " + sign(eddsa, stranger, nil),
		"another key's id":                       "Bearer " + sign(eddsa, stranger, func(j *jwt.Token) { j.Header["kid"] = token.KeyID(stranger.Public().(ed25519.PublicKey)) }),
		"unsigned":                               "Bearer " + sign(jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType, nil),
		"signed with the public key as a secret": "Bearer " + sign(jwt.SigningMethodHS256, []byte(own.Public().(ed25519.PublicKey)), nil),
		"another type":                           "Bearer " + sign(eddsa, own, func(j *jwt.Token) { j.Header["typ"] = "JWT" }),
		"another audience":                       "Bearer " + sign(eddsa, own, claim("aud", "elsewhere")),
		"another issuer":                         "Bearer " + sign(eddsa, own, claim("iss", "elsewhere")),
		"another member":                         "Bearer " + sign(eddsa, own, claim("sub", stream.NewID().String())),
		"another shop":                           "Bearer " + sign(eddsa, own, claim("org", s.Person(apptest.OtherOwner).Org.String())),
		"a shop that is not":                     "Bearer " + sign(eddsa, own, claim("org", stream.NewID().String())),
		"other claims under the signature":       "Bearer " + parts[0] + "." + base64.RawURLEncoding.EncodeToString([]byte(`{}`)) + "." + parts[2],
		"no signature":                           "Bearer " + parts[0] + "." + parts[1] + ".",
		"not a token":                            "Bearer hello",
		"too long":                               "Bearer " + strings.Repeat("x", 5000),
		"another scheme":                         "Basic " + good,
		"no scheme":                              good,
	} {
		ask := s.Nobody().With("Authorization", authorization)
		got := ask.Get("/v1/me")
		fields := []string{}
		if name == "another scheme" || name == "no scheme" {
			fields = append(fields, "Authorization")
		}
		require.Equal(t, "Bearer", got.Header.Get("WWW-Authenticate"), name) // RFC 9110, section 11.6.1
		problem(t, got, fault.SignInNeeded, fields...)
		if name != "another scheme" && name != "no scheme" && authorization != "" {
			problem(t, s.Nobody().With("Cookie", httpapi.Cookie+"="+strings.TrimPrefix(authorization, "Bearer ")).Get("/v1/me"), fault.SignInNeeded)
		}
	}
	out := s.Nobody().With("Cookie", httpapi.Cookie+"="+issued(time.Now().Add(-2*time.Hour), time.Hour)).Post("/v1/sign-out", "")
	problem(t, out, fault.SignInNeeded)
	require.Contains(t, out.Header.Get("Set-Cookie"), "Max-Age=0", "a cookie that has run out goes all the same")
}

// TestRetiredMember takes somebody's membership away: the next request is refused, whatever the token says.
func TestRetiredMember(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner := s.As(apptest.Technician), s.As(apptest.ShopOwner)
	job := tech.OpenJob()
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "retire-member", `{"member":"`+tech.Access.Member.String()+`"}`)

	before := s.Stored()
	problem(t, tech.Get("/v1/me"), fault.SignInNeeded)
	problem(t, tech.Get(job.Path()), fault.SignInNeeded)
	problem(t, tech.Post(job.Path()+"/commands", apptest.Body(stream.NewID(), job.Seq, "note", `{"text":"still here?"}`)), fault.SignInNeeded)
	problem(t, s.Nobody().Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician"}`), fault.SignInFailed)
	require.Equal(t, before, s.Stored())
}

// TestASignInThatCannotBeLookedUp is no wrong password: nobody is to change theirs because the database is in trouble.
func TestASignInThatCannotBeLookedUp(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	_, err := s.SQL().Exec(t.Context(), "revoke select on readback.entry from readback_hub")
	require.NoError(t, err)
	got := s.Nobody().Post("/v1/sign-in", tamsin)
	require.GreaterOrEqual(t, got.Status, http.StatusInternalServerError, got.Body)
}
