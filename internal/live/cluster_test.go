package live_test

import (
	"context"
	"encoding/json"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
)

// here is who takes part, by the newest note.
func (e *ear) here(t *testing.T) []stream.ID {
	t.Helper()
	synctest.Wait()
	n, ok := e.note(live.PresenceKey)
	if !ok {
		return nil
	}
	var all []live.Present
	require.NoError(t, json.Unmarshal(n.Value, &all))
	ids := []stream.ID{}
	for _, p := range all {
		ids = append(ids, p.Member)
	}
	return ids
}

// other starts another node, and gives its bus.
func (w *world) other() (*live.Hub, *memstore.Bus) {
	bus := w.store.Bus()
	return w.node(func(c *live.Config) { c.Bus = bus }), bus
}

func TestPresenceOnOtherNodes(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		tech, spec := w.technician.Member, w.specialist.Member
		a, there := w.follow(w.hub, w.technician, w.cal, 0)
		require.Equal(t, []stream.ID{tech}, a.here(t))

		// A node that starts later hears of whoever was there before.
		far, _ := w.other()
		b, gone := w.follow(far, w.specialist, w.cal, 0)
		require.ElementsMatch(t, []stream.ID{tech, spec}, a.here(t))
		require.ElementsMatch(t, []stream.ID{tech, spec}, b.here(t))

		// Somebody who is on both nodes is one.
		twice, leaves := w.follow(far, w.technician, w.cal, 0)
		require.ElementsMatch(t, []stream.ID{tech, spec}, twice.here(t))
		require.Len(t, a.here(t), 2)
		there.Close()
		require.ElementsMatch(t, []stream.ID{tech, spec}, b.here(t))
		leaves.Close()
		require.Equal(t, []stream.ID{spec}, b.here(t))

		a, _ = w.follow(w.hub, w.technician, w.cal, 0)
		require.ElementsMatch(t, []stream.ID{tech, spec}, a.here(t))
		gone.Close()
		require.Equal(t, []stream.ID{tech}, a.here(t))
		require.NotNil(t, b)
	})
}

// Who ends a claim on one node takes part no more, as those on the other see.
func TestPresenceFollowsTheClaim(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.do(w.technician, w.cal, "request", `{}`)
		far, _ := w.other()
		a, _ := w.follow(w.hub, w.technician, w.cal, 0)
		b, _ := w.follow(far, w.specialist, w.cal, 0)
		require.Equal(t, []stream.ID{w.technician.Member}, a.here(t), "who only looks does not take part")
		require.Nil(t, b.here(t), "and is not told who does")
		w.do(w.specialist, w.cal, "claim", `{}`)
		require.Len(t, a.here(t), 2)
		require.Len(t, b.here(t), 2)
	})
}

// A node that dies says nothing. Whoever was on it is gone with its silence; when it was only cut off, they come back.
func TestPresenceOfASilentNode(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, bus := w.other()
		a, _ := w.follow(w.hub, w.technician, w.cal, 0)
		b, _ := w.follow(far, w.specialist, w.cal, 0)
		require.Len(t, a.here(t), 2)

		bus.Cut(true)
		time.Sleep(6 * time.Second) // of the bubble's clock: two signs of life were missed
		require.Len(t, a.here(t), 2)
		time.Sleep(8 * time.Second)
		require.Equal(t, []stream.ID{w.technician.Member}, a.here(t))
		require.Equal(t, []stream.ID{w.specialist.Member}, b.here(t))

		bus.Cut(false)
		time.Sleep(4 * time.Second)
		require.Len(t, a.here(t), 2)
		require.Len(t, b.here(t), 2)
	})
}

// A node that stops says so, and nobody waits for its silence.
func TestPresenceOfAStoppedNode(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, _ := w.other()
		a, _ := w.follow(w.hub, w.technician, w.cal, 0)
		w.follow(far, w.specialist, w.cal, 0)
		require.Len(t, a.here(t), 2)
		require.NoError(t, far.Shutdown(context.Background()))
		require.Equal(t, []stream.ID{w.technician.Member}, a.here(t))
	})
}

// What was lost is told again within the minute.
func TestPresenceThatWasLost(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		w.claimed()
		far, bus := w.other()
		a, _ := w.follow(w.hub, w.technician, w.cal, 0)
		require.Len(t, a.here(t), 1)
		bus.Cut(true)
		b, _ := w.follow(far, w.specialist, w.cal, 0)
		require.Len(t, b.here(t), 1)
		bus.Cut(false)
		require.Len(t, a.here(t), 1)
		time.Sleep(time.Minute + time.Second)
		require.Len(t, a.here(t), 2)
		require.Len(t, b.here(t), 2)
	})
}
