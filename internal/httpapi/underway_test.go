package httpapi

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/trail"
)

// slow is a client that takes nothing of its answer until it is let go.
type slow struct {
	*httptest.ResponseRecorder
	first sync.Once // an answer may come in many pieces
	came  chan<- struct{}
	let   <-chan struct{}
}

func (s *slow) Write(b []byte) (int, error) {
	s.first.Do(func() { s.came <- struct{}{} })
	<-s.let
	return s.ResponseRecorder.Write(b)
}

// bundler writes bundles without photos and key.
type bundler struct{ by trail.Signer }

func (b bundler) WriteBundle(_ context.Context, w io.Writer, taken live.Taken) error {
	return trail.WriteClosedBundle(w, taken.Calibration, taken.Job, nil, b.by)
}

// TestSlowReadersAreCounted: answers that nobody takes are in memory. Of one member only so many are, and of bundles, which are
// large, only two of one organisation; others are answered meanwhile, and a stop always.
func TestSlowReadersAreCounted(t *testing.T) {
	t.Parallel()
	secret, public, err := note.GenerateKey(rand.Reader, "toy.example")
	require.NoError(t, err)
	signer, err := note.NewSigner(secret)
	require.NoError(t, err)
	toy := toyserver.New(t, toyserver.Options{Hub: func(c *live.Config) { c.Urgent = map[string]bool{"note": true} }})
	t.Cleanup(func() { require.NoError(t, toy.Stop(context.WithoutCancel(t.Context()))) })
	s := &Server{
		Hub: toy.Hub, Sessions: toy.Sessions, Sockets: toy.Sockets, Bundles: bundler{trail.Signer{Signer: signer, Key: public}}, Log: slog.New(slog.DiscardHandler),
	}
	cal, handler := toy.Open(0), s.Handler()
	request := func(who stream.ID, path string) *http.Request {
		r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/v1/calibrations/"+cal.ID.String()+path, nil)
		r.Header.Set("Authorization", "Bearer "+toy.Token(who))
		return r
	}
	asks := func(who stream.ID, path string) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, request(who, path))
		return w
	}
	hold := func(path string, n int) (let func()) {
		came, taken := make(chan struct{}, n), make(chan struct{})
		var all sync.WaitGroup
		for range n {
			all.Go(func() {
				handler.ServeHTTP(&slow{ResponseRecorder: httptest.NewRecorder(), came: came, let: taken}, request(toy.Ann, path))
			})
		}
		for range n {
			<-came
		}
		return func() { close(taken); all.Wait() }
	}

	let := hold("/bundle", mostBundlesOfOrg)
	got := asks(toy.Ben, "/bundle")
	require.Equal(t, http.StatusTooManyRequests, got.Code, "of one organisation")
	require.Equal(t, "2", got.Header().Get("Retry-After"))
	require.Equal(t, http.StatusOK, asks(toy.Ann, "/entries").Code)
	let()
	require.Equal(t, http.StatusOK, asks(toy.Ben, "/bundle").Code)

	let = hold("/entries", mostUnderWay)
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ann, "/entries").Code)
	require.Equal(t, http.StatusOK, asks(toy.Ben, "/entries").Code, "nobody else is held back")
	raw, err := json.Marshal(toyserver.Note("stop", 1))
	require.NoError(t, err)
	stop := request(toy.Ann, "/commands")
	stop.Method, stop.Body = http.MethodPost, io.NopCloser(bytes.NewReader(raw))
	stop.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, stop)
	require.Equal(t, http.StatusOK, w.Code, "commands are not held back, so a stop is not")
	let()
	require.Equal(t, http.StatusOK, asks(toy.Ann, "/entries").Code)
	require.Empty(t, s.paces.busy)
	require.Empty(t, s.bundling.of)

	for range mostBundles { // each of another organisation
		_, err := s.bundling.begin(stream.NewID())
		require.NoError(t, err)
	}
	require.Equal(t, http.StatusTooManyRequests, asks(toy.Ben, "/bundle").Code, "of all")
}
