package httpapi

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
)

// TestPaces: a member's loop is slowed down to 50 requests a second, by a wait that is told and holds; neither a colleague
// nor whoever has the same id elsewhere is held back by it.
func TestPaces(t *testing.T) {
	t.Parallel()
	var p paces
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	loop := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	for range mostRequests {
		require.NoError(t, p.take(loop, now))
	}
	for range 3 { // who is refused uses up nothing
		err := p.take(loop, now)
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		require.Equal(t, requestEvery, fault.Of(err).Wait)
	}
	for _, other := range []stream.Person{{Org: loop.Org, Member: stream.NewID()}, {Org: stream.NewID(), Member: loop.Member}} {
		require.NoError(t, p.take(other, now))
	}
	now = now.Add(time.Second)
	for range 50 {
		require.NoError(t, p.take(loop, now))
	}
	require.True(t, fault.Is(p.take(loop, now), fault.TooMany))
}

// TestPacesSparesPeople: eight hours at the desk with twelve calibrations in hand, where each entry of each, one every two
// seconds, makes the page ask for six things, and an opening of the page that asks for 200 things at once every ten minutes.
// The figures are taken far above what the pages do.
func TestPacesSparesPeople(t *testing.T) {
	t.Parallel()
	var p paces
	now := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	who := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	for second := range 8 * 60 * 60 {
		asks := 0
		if second%2 == 0 {
			asks = 12 * 6
		}
		if second%600 == 0 {
			asks += 200
		}
		for range asks {
			require.NoError(t, p.take(who, now))
		}
		now = now.Add(time.Second)
	}
}

// TestTooOftenIsAProblem: the wait is in Retry-After, in whole seconds.
func TestTooOftenIsAProblem(t *testing.T) {
	t.Parallel()
	s := &Server{Log: slog.New(slog.DiscardHandler)}
	who := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	h := s.adapt(func(http.ResponseWriter, *http.Request) error { return s.paces.take(who, now) })
	for n := range mostRequests + 1 {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/v1/me", nil))
		if n < mostRequests {
			require.Equal(t, http.StatusOK, w.Code)
			continue
		}
		require.Equal(t, http.StatusTooManyRequests, w.Code)
		require.Equal(t, "1", w.Header().Get("Retry-After"))
	}
}

// TestAStopIsTakenAllTheSame: whoever asks too often is refused reads and commands, but one that stops the work is taken.
func TestAStopIsTakenAllTheSame(t *testing.T) {
	t.Parallel()
	toy := toyserver.New(t, toyserver.Options{Hub: func(c *live.Config) { c.Urgent = map[string]bool{"note": true} }})
	s := &Server{Hub: toy.Hub, Sessions: toy.Sessions, Sockets: toy.Sockets, Log: slog.New(slog.DiscardHandler)}
	t.Cleanup(func() { require.NoError(t, toy.Stop(context.WithoutCancel(t.Context()))) })
	cal, handler := toy.Open(0), s.Handler()
	asks := func(who stream.ID, method, path string, body any) int {
		t.Helper()
		raw, err := json.Marshal(body)
		require.NoError(t, err)
		r := httptest.NewRequest(method, "/v1/calibrations/"+cal.ID.String()+path, bytes.NewReader(raw))
		r.Header.Set("Authorization", "Bearer "+toy.Token(who))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, r)
		return w.Code
	}
	for range mostRequests { // as by a loop that has gone on until an hour from now
		require.NoError(t, s.paces.take(stream.Person{Org: toy.Org, Member: toy.Ann}, time.Now().Add(time.Hour)))
	}
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ann, http.MethodGet, "/entries", nil))
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ann, http.MethodPost, "/commands", toyserver.Command("open", map[string]any{"org": toy.Org})))
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ann, http.MethodPost, "/commands", "no command"))
	require.Equal(t, http.StatusOK, asks(toy.Ann, http.MethodPost, "/commands", toyserver.Note("stop", 1)))
	for range mostStops {
		s.paces.stop(stream.Person{Org: toy.Org, Member: toy.Ann}, time.Now().Add(time.Hour))
	}
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ann, http.MethodPost, "/commands", toyserver.Note("stop", 2)), "a loop of stops is slowed down")
	require.Equal(t, http.StatusOK, asks(toy.Ben, http.MethodGet, "/entries", nil), "nobody else is held back")
}
