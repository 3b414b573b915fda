package client_test

import (
	"context"
	"encoding/json"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/testkit/toyserver"
)

// relaying is a relay that runs, and a server that answers as the test says and notes what came when.
type relaying struct {
	*client.Relay
	t *testing.T

	mu     sync.Mutex // guards what follows
	status int
	came   []uint64
	at     []time.Time

	ended chan error
}

func relay(t *testing.T, w *world) *relaying {
	r := &relaying{t: t, status: http.StatusOK, ended: make(chan error, 1)}
	var h http.Handler = http.HandlerFunc(func(rw http.ResponseWriter, req *http.Request) {
		var got client.Reading
		if as := req.Method + " " + req.URL.Path + " " + req.Header.Get("Authorization"); as != "POST /v1/readings Bearer rbdevice_x" || json.NewDecoder(req.Body).Decode(&got) != nil {
			t.Errorf("%s", as)
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.came, r.at = append(r.came, got.N), append(r.at, time.Now())
		if r.status == http.StatusUnauthorized {
			rw.Header().Set("Content-Type", "application/problem+json")
			rw.WriteHeader(r.status)
			rw.Write([]byte(`{"type":"/problems/sign-in-needed"}`))
			return
		}
		rw.WriteHeader(r.status)
		json.NewEncoder(rw).Encode(client.Shown{Calibration: "a calibration", Seq: 7})
	})
	w.handler.Store(&h)
	c := w.stranger()
	r.Relay = c.NewRelay("rbdevice_x", func(s client.Shown, err error) {
		if err == nil && s.Calibration != "a calibration" {
			t.Errorf("%+v", s)
		}
	})
	go func() {
		defer c.Close()
		r.ended <- r.Run(t.Context())
	}()
	return r
}

// answers has the server answer so from now on.
func (r *relaying) answers(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

// reads shows a reading every ten milliseconds, for so long.
func (r *relaying) reads(long time.Duration) {
	for range long / (10 * time.Millisecond) {
		r.Show(client.Reading{Readings: []map[string]any{{"quantity": "datum-distance"}}})
		time.Sleep(10 * time.Millisecond)
	}
}

// seen is what came since the last time, and when.
func (r *relaying) seen() (n []uint64, at []time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	n, at = r.came, r.at
	r.came, r.at = nil, nil
	return n, at
}

// TestRelaySendsTheNewest: ten a second however many are read, and the last one.
func TestRelaySendsTheNewest(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		r := relay(t, w)
		r.reads(2 * time.Second)
		r.End()
		require.NoError(t, <-r.ended)
		came, at := r.seen()
		require.InDelta(t, 20, len(came), 2, "of 200")
		require.EqualValues(t, 200, came[len(came)-1])
		for i := range len(came) - 1 {
			require.Less(t, came[i], came[i+1])
			require.GreaterOrEqual(t, at[i+1].Sub(at[i]), 100*time.Millisecond)
		}
	})
}

// TestRelaySendsAgainWhatIsOfNow: the same as long as it is not a second old and nothing newer came; never what is older.
func TestRelaySendsAgainWhatIsOfNow(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		r := relay(t, w)
		r.answers(http.StatusServiceUnavailable)
		r.reads(10 * time.Millisecond)
		time.Sleep(10 * time.Second)
		came, at := r.seen()
		require.Greater(t, len(came), 1)
		for i, n := range came {
			require.EqualValues(t, 1, n, "the same again")
			require.Less(t, at[i].Sub(at[0]), time.Second)
		}
		r.answers(http.StatusOK)
		time.Sleep(time.Minute)
		came, _ = r.seen()
		require.Empty(t, came, "what is old is not shown as if it were of now")
		r.reads(10 * time.Millisecond)
		r.End()
		require.NoError(t, <-r.ended)
		came, _ = r.seen()
		require.Equal(t, []uint64{2}, came)
	})
}

// TestRelayIsRefused: where nothing is placed it asks seldom, goes on at once with the newest, and says so at the end; a token
// that is no good any more ends it.
func TestRelayIsRefused(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		r := relay(t, w)
		r.answers(http.StatusConflict)
		r.reads(20 * time.Second)
		came, _ := r.seen()
		require.InDelta(t, 10, len(came), 1)
		r.End()
		var p *client.Problem
		require.ErrorAs(t, <-r.ended, &p)
		require.Equal(t, http.StatusConflict, p.Status)

		r = relay(t, w)
		r.answers(http.StatusUnauthorized)
		r.reads(time.Second)
		require.True(t, client.IsProblem(<-r.ended, "sign-in-needed"))
		came, _ = r.seen()
		require.Len(t, came, 1)
	})
}

// TestRelayStops with its context, be the server there or not.
func TestRelayStops(t *testing.T) {
	t.Parallel()
	inBubble(t, toyserver.Options{}, func(t *testing.T, w *world) {
		c := w.stranger()
		defer c.Close()
		ctx, stop := context.WithCancel(t.Context())
		r := c.NewRelay("rbdevice_x", nil)
		ended := make(chan error, 1)
		go func() { ended <- r.Run(ctx) }()
		time.Sleep(time.Minute)
		stop()
		require.NoError(t, <-ended)
	})
}
