package live_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
)

// liveToy is the toy with live readings: of a number n it shows how far n is from the limit. Where gate is set, each waits
// for it.
type liveToy struct {
	toy
	gate chan struct{}
}

type liveToyOrder struct{ n int }

func (liveToy) ReadLive(data json.RawMessage) (any, error) {
	d, err := toyRead(data)
	return liveToyOrder{d.N}, err
}

func (liveToy) AdmitLive(s stream.State, actor stream.Actor) error {
	if actor.Org != s.(*toyState).shop {
		return fault.New(fault.NotYourRole, "To show readings is for a technician.")
	}
	return nil
}

func (liveToy) LiveNeeds(s stream.State, _ stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{{Stream: stream.Ref{Kind: stream.Register, ID: s.(*toyState).shop}, Name: "organisation"}}
}

func (r liveToy) Live(_ stream.State, _ stream.Actor, order any, _ stream.Facts, _ time.Time) (any, error) {
	if r.gate != nil {
		<-r.gate
	}
	return map[string]int{"left": 10 - order.(liveToyOrder).n}, nil
}

// reads has the actor show a reading.
func (w *world) reads(h *live.Hub, actor stream.Actor, n int) error {
	_, err := h.Live(context.Background(), actor, w.cal, live.Reading{N: uint64(n), Data: json.RawMessage(fmt.Sprintf(`{"n":%d}`, n))})
	return err
}

type liveSeen struct {
	N      uint64
	Seq    uint64
	Member stream.ID
	Left   int
	Gone   bool
}

// shown is the newest live value; false if there was none.
func (e *ear) shown(t *testing.T) (v liveSeen, ok bool) {
	t.Helper()
	synctest.Wait()
	n, ok := e.note(live.LiveKey)
	if ok {
		require.NoError(t, json.Unmarshal(n.Value, &v))
	}
	return v, ok
}

func TestLiveReadingsAreShownOnEveryNodeAndStoredNowhere(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, _ := w.other()
		tech, _ := w.follow(w.hub, w.technician, w.cal, 0)
		spec, _ := w.follow(far, w.specialist, w.cal, 0)
		synctest.Wait()
		seq := w.last(w.cal)
		loads, appends := w.store.Calls()
		for n := 1; n <= 200; n++ {
			require.NoError(t, w.reads(w.hub, w.technician, n))
			want := liveSeen{N: uint64(n), Seq: seq, Member: w.technician.Member, Left: 10 - n}
			for name, e := range map[string]*ear{"the sender": tech, "the other node": spec} {
				got, _ := e.shown(t)
				require.Equal(t, want, got, name)
			}
			time.Sleep(100 * time.Millisecond)
		}
		moreLoads, moreAppends := w.store.Calls()
		require.Equal(t, appends, moreAppends, "nothing is stored")
		require.Equal(t, loads, moreLoads, "nor read: what the node knows is enough")
		require.Equal(t, uint64(200), w.hub.Stats().Live)
	})
}

// Whoever posts need not follow, and may do so where nobody follows.
func TestLiveReadingsByWhoDoesNotFollow(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, _ := w.other()
		spec, _ := w.follow(w.hub, w.specialist, w.cal, 0)
		synctest.Wait()
		require.NoError(t, w.reads(far, w.technician, 4))
		got, _ := spec.shown(t)
		require.Equal(t, 6, got.Left)
	})
}

func TestLiveReadingsAreForThoseWhoTakePart(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		require.True(t, fault.Is(w.reads(w.hub, w.stranger, 1), fault.NotHere))
		require.True(t, fault.Is(w.reads(w.hub, w.specialist, 1), fault.NotHere))
		for _, ref := range []stream.Ref{w.job, w.register(), {Kind: stream.Calibration, ID: stream.NewID()}} {
			_, err := w.hub.Live(context.Background(), w.technician, ref, live.Reading{Data: json.RawMessage(`{"n":1}`)})
			require.True(t, fault.Is(err, fault.NotHere), "%s: %v", ref, err)
		}
		_, err := w.hub.Live(context.Background(), w.technician, w.cal, live.Reading{Data: json.RawMessage(`{"what":1}`)})
		require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)

		w.do(w.technician, w.cal, "request", `{}`)
		waits, _ := w.follow(w.hub, w.specialist, w.cal, 0)
		require.NoError(t, w.reads(w.hub, w.technician, 1))
		_, ok := waits.shown(t)
		require.False(t, ok, "a desk that only looks sees none")

		w.do(w.specialist, w.cal, "claim", `{}`)
		require.True(t, fault.Is(w.reads(w.hub, w.specialist, 1), fault.NotYourRole))
		time.Sleep(time.Second)
		require.NoError(t, w.reads(w.hub, w.technician, 2))
		got, _ := waits.shown(t)
		require.Equal(t, uint64(2), got.N)

		w.do(w.specialist, w.cal, "return", `{}`)
		require.NoError(t, w.reads(w.hub, w.technician, 3))
		got, _ = waits.shown(t)
		require.Equal(t, uint64(2), got.N, "with the claim it ends")
	})
}

func TestLiveReadingsThatComeTooOften(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		passed := 0
		for n := range 30 {
			if err := w.reads(w.hub, w.technician, n); err == nil {
				passed++
			} else {
				require.True(t, fault.Is(err, fault.TooMany), "%v", err)
			}
		}
		require.Equal(t, 5, passed, "those that were held up on their way")
		require.Equal(t, uint64(25), w.hub.Stats().Dropped)
		for n := range 50 {
			time.Sleep(100 * time.Millisecond)
			require.NoError(t, w.reads(w.hub, w.technician, n))
		}
	})
}

// The last value is said to be gone once it is out of date, on each node by itself: also where the node that computed it
// has died.
func TestLiveValuesGoStale(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, bus := w.other()
		tech, _ := w.follow(far, w.technician, w.cal, 0)
		spec, _ := w.follow(w.hub, w.specialist, w.cal, 0)
		synctest.Wait()
		require.NoError(t, w.reads(far, w.technician, 1))
		synctest.Wait()
		bus.Cut(true)
		time.Sleep(1900 * time.Millisecond)
		require.NoError(t, w.reads(far, w.technician, 2))
		time.Sleep(200 * time.Millisecond)
		got, _ := tech.shown(t)
		require.False(t, got.Gone)
		got, _ = spec.shown(t)
		require.True(t, got.Gone, "the first is out of date, and the second never came")
		require.Equal(t, uint64(1), got.N)
		time.Sleep(2 * time.Second)
		got, _ = tech.shown(t)
		require.Equal(t, liveSeen{N: 2, Seq: w.last(w.cal), Member: w.technician.Member, Gone: true}, got)
	})
}

// What another node tells is shown only if it rests on the entries that the followers have, and is not out of date.
func TestLiveValuesRestOnWhatFollowersHave(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "add", `{"n":1}`)
		tech, _ := w.follow(w.hub, w.technician, w.cal, 0)
		node := w.store.Bus() // another node's voice, without the node
		tell := func(seq uint64, at time.Time) bool {
			before, _ := tech.shown(t)
			value := fmt.Sprintf(`{"n":%d,"seq":%d,"at":%q,"member":%q,"left":1}`, before.N+1, seq, at.Format(time.RFC3339Nano), w.technician.Member)
			require.NoError(t, node.Tell(w.cal.String()+"/"+live.LiveKey, []byte(value)))
			after, _ := tech.shown(t)
			return after.N > before.N
		}
		seq := w.last(w.cal)
		require.False(t, tell(seq-1, time.Now()), "an older entry")
		require.False(t, tell(seq+1, time.Now()), "an entry that is not there")
		require.False(t, tell(seq, time.Now().Add(-3*time.Second)), "out of date")
		require.True(t, tell(seq, time.Now()))
		require.NoError(t, node.Tell(w.cal.String()+"/"+live.LiveKey, []byte("not JSON")))
		require.NoError(t, node.Tell("calibration/"+strings.Repeat("x", 36)+"/live", nil))
		require.NoError(t, node.Tell("live", nil))
		require.True(t, tell(seq, time.Now()))
	})
}

// One is computed at a time. Of those that come meanwhile the newest waits.
func TestLiveReadingsNewestWins(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		gate := make(chan struct{})
		h := w.node(func(c *live.Config) { c.Rules[stream.Calibration] = liveToy{toy{stream.Calibration}, gate} })
		tech, _ := w.follow(h, w.technician, w.cal, 0)
		var mu sync.Mutex
		got := map[int]error{}
		var all sync.WaitGroup
		for n := range 4 {
			all.Go(func() {
				err := w.reads(h, w.technician, n)
				mu.Lock()
				defer mu.Unlock()
				got[n] = err
			})
			synctest.Wait() // each has come before the next
		}
		mu.Lock()
		require.Len(t, got, 2)
		require.True(t, fault.Is(got[1], fault.TooMany) && fault.Is(got[2], fault.TooMany), "%v", got)
		mu.Unlock()
		gate <- struct{}{}
		seen, _ := tech.shown(t)
		require.Zero(t, seen.N)
		gate <- struct{}{}
		all.Wait()
		require.NoError(t, got[0])
		require.NoError(t, got[3])
		seen, _ = tech.shown(t)
		require.Equal(t, uint64(3), seen.N)

		time.Sleep(time.Second)
		// Whoever waits and gives up leaves the turn to others.
		all.Go(func() { w.reads(h, w.technician, 5) })
		synctest.Wait()
		ctx, cancel := context.WithCancel(context.Background())
		all.Go(func() {
			_, err := h.Live(ctx, w.technician, w.cal, live.Reading{Data: json.RawMessage(`{"n":6}`)})
			require.ErrorIs(t, err, context.Canceled)
		})
		synctest.Wait()
		cancel()
		synctest.Wait()
		close(gate)
		all.Wait()
		time.Sleep(time.Second)
		require.NoError(t, w.reads(h, w.technician, 7))
	})
}
