package httpapi_test

import (
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

const tamsin = `{"login":"tamsin@north.example","password":"demo technician"}`

func refreshing(text string) string { return fmt.Sprintf(`{"refresh":%q}`, text) }

func TestRefresh(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()
	in := apptest.Read[session](nobody, nobody.Post("/v1/sign-in", tamsin))
	got := ask(t, nobody, "POST", "/v1/refresh", refreshing(in.Refresh))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	next := apptest.Read[session](nobody, got)
	require.Equal(t, in.Session, next.Session)
	require.NotEqual(t, in.Refresh, next.Refresh)
	for _, text := range []string{in.Token, next.Token} { // the one before is good until it runs out
		require.Equal(t, http.StatusOK, nobody.With("Authorization", "Bearer "+text).Get("/v1/me").Status)
	}

	// The answer got lost: the same again. What it gave first is void, and whoever has that has a copy.
	again := apptest.Read[session](nobody, nobody.Post("/v1/refresh", refreshing(in.Refresh)))
	reused := nobody.Post("/v1/refresh", refreshing(next.Refresh))
	problem(t, reused, fault.SignInNeeded)
	require.Contains(t, reused.Body, "copy")
	for _, text := range []string{in.Token, next.Token, again.Token} {
		problem(t, nobody.With("Authorization", "Bearer "+text).Get("/v1/me"), fault.SignInNeeded)
	}
	problem(t, nobody.Post("/v1/refresh", refreshing(again.Refresh)), fault.SignInNeeded)
	problem(t, nobody.Post("/v1/refresh", `{"refresh":""}`), fault.InvalidInput, "refresh")
	problem(t, nobody.Post("/v1/refresh", `{"token":"x"}`), fault.InvalidInput, "refresh", "token")
	problem(t, nobody.Post("/v1/refresh", refreshing(next.Refresh)+"  x"), fault.Malformed)
}

// TestGuessingRefreshTokens is bounded in what it costs, and keeps out nobody who has a token, at the same address too.
func TestGuessingRefreshTokens(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()
	type granted struct{ Refresh string }
	mine := apptest.Read[granted](nobody, nobody.Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician"}`))
	refused := func() bool {
		return nobody.Post("/v1/refresh", refreshing("guess")).Status == http.StatusTooManyRequests
	}
	guesses := 0
	for ; !refused(); guesses++ {
		require.Less(t, guesses, 100_000)
	}
	require.GreaterOrEqual(t, guesses, 120)
	for range 3 { // the token had at sign-in, and those it is exchanged for
		for !refused() { // what is used up comes back each second
		}
		got := nobody.Post("/v1/refresh", refreshing(mine.Refresh))
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		mine = apptest.Read[granted](nobody, got)
	}
}

// browser is a client with the cookies of a sign-in, of which the access cookie has run out.
func browser(t *testing.T, s *apptest.Server) (worn *apptest.Client, refresh string) {
	t.Helper()
	got := given(t, s.Nobody().Post("/v1/sign-in", `{"login":"tamsin@north.example","password":"demo technician","cookie":true}`))
	who := s.Person(apptest.Technician)
	old, _, err := s.Tokens(time.Now().Add(-time.Hour), time.Minute).Issue(who.Org, who.Member, stream.NewID())
	require.NoError(t, err)
	refresh = got[httpapi.RefreshCookie].Value
	return s.Nobody().With("Cookie", httpapi.Cookie+"="+old+"; "+httpapi.RefreshCookie+"="+refresh), refresh
}

// TestBrowsersGoOn: what a page asks when its access cookie has run out is answered, with new cookies.
func TestBrowsersGoOn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	worn, refresh := browser(t, s)

	// Several at once: all are answered, and each answer's cookies are good.
	var wg sync.WaitGroup
	answers := make([]apptest.Answer, 6)
	for i := range answers {
		wg.Go(func() { answers[i] = worn.Get("/v1/me") })
	}
	wg.Wait()
	for _, got := range answers {
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		fresh := given(t, got)
		require.Equal(t, http.StatusOK, s.Nobody().With("Cookie", httpapi.Cookie+"="+fresh[httpapi.Cookie].Value).Get("/v1/me").Status)
		require.NotEqual(t, refresh, fresh[httpapi.RefreshCookie].Value)
	}
	last := given(t, answers[2])
	only := s.Nobody().With("Cookie", httpapi.RefreshCookie+"="+last[httpapi.RefreshCookie].Value) // the browser dropped the other
	page := only.Get("/")
	require.Equal(t, http.StatusSeeOther, page.Status)
	require.Equal(t, "/bay", page.Header.Get("Location"))
	require.Len(t, given(t, page), 2)

	// A good access cookie is left alone; so is one that is none at all.
	whole := s.Nobody().With("Cookie", httpapi.Cookie+"="+given(t, page)[httpapi.Cookie].Value+"; "+httpapi.RefreshCookie+"="+given(t, page)[httpapi.RefreshCookie].Value)
	require.Empty(t, given(t, whole.Get("/v1/me")))
	problem(t, s.Nobody().With("Cookie", httpapi.Cookie+"=x; "+httpapi.RefreshCookie+"="+given(t, page)[httpapi.RefreshCookie].Value).Get("/v1/me"), fault.SignInNeeded)
	require.Empty(t, given(t, only.Get("/healthz")))

	// One of the first answers' cookies again: somebody has a copy. Both cookies go.
	got := s.Nobody().With("Cookie", httpapi.RefreshCookie+"="+given(t, answers[0])[httpapi.RefreshCookie].Value).Get("/v1/me")
	problem(t, got, fault.SignInNeeded)
	require.Negative(t, given(t, got)[httpapi.RefreshCookie].MaxAge)
	problem(t, whole.Get("/v1/me"), fault.SignInNeeded)
}

// TestForeignPagesRenewNothing: by Fetch Metadata and by the Origin header (RFC 6454, section 7).
func TestForeignPagesRenewNothing(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	worn, _ := browser(t, s)
	for _, foreign := range []*apptest.Client{
		worn.With("Sec-Fetch-Site", "cross-site"), worn.With("Sec-Fetch-Site", "same-site"),
		worn.With("Origin", "https://elsewhere.example"), worn.With("Origin", "null"),
	} {
		got := foreign.Get("/v1/me")
		problem(t, got, fault.SignInNeeded)
		require.Empty(t, got.Header.Values("Set-Cookie"))
	}
	got := worn.With("Sec-Fetch-Site", "same-origin").With("Origin", s.URL).Get("/v1/me")
	require.Equal(t, http.StatusOK, got.Status)
	require.Len(t, given(t, got), 2)
}

// TestAnEndedSessionsTokensAreRefused at once.
func TestAnEndedSessionsTokensAreRefused(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()
	var tokens []string
	for range 2 {
		tokens = append(tokens, apptest.Read[session](nobody, nobody.Post("/v1/sign-in", tamsin)).Token)
	}
	as := func(i int) *apptest.Client { return s.Nobody().With("Authorization", "Bearer "+tokens[i]) }
	require.Equal(t, http.StatusNoContent, ask(t, as(0), "POST", "/v1/sign-out", `{}`).Status)
	problem(t, as(0).Get("/v1/me"), fault.SignInNeeded)
	require.Equal(t, http.StatusOK, as(1).Get("/v1/me").Status)
	tokens[0] = apptest.Read[session](nobody, nobody.Post("/v1/sign-in", tamsin)).Token
	require.Equal(t, http.StatusNoContent, ask(t, as(0), "POST", "/v1/sign-out", `{"everywhere":true}`).Status)
	for i := range tokens {
		problem(t, as(i).Get("/v1/me"), fault.SignInNeeded)
	}
	problem(t, as(0).Post("/v1/sign-out", `{"all":true}`), fault.SignInNeeded)
	again := apptest.Read[session](nobody, nobody.Post("/v1/sign-in", tamsin))
	problem(t, nobody.With("Authorization", "Bearer "+again.Token).Post("/v1/sign-out", `{"all":true}`), fault.InvalidInput, "all")
}
