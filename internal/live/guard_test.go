package live_test

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
)

// What stops the work is taken although there is no room for anything else, and before what waits.
func TestUrgentCommandsPass(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) {
			c.MostWaiting = 2
			c.Urgent = map[string]bool{"end": true}
		})
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		results := make(chan error, 5)
		for _, typ := range []string{"add", "add", "add", "add", "end"} {
			cmd := w.cmd(w.cal, typ, `{}`)
			go func() { _, err := h.Do(t.Context(), w.technician, w.cal, cmd); results <- err }()
			synctest.Wait()
		}
		require.True(t, fault.Is(<-results, fault.TooMany), "one at work, two waiting")
		require.Empty(t, results, "the urgent one is taken all the same")
		close(release)
		for range 4 {
			require.NoError(t, <-results)
		}
		var types []string
		for _, e := range w.chain(w.cal)[1:] {
			types = append(types, e.Type)
		}
		require.Equal(t, []string{"added", "ended", "added", "added"}, types)

		full := w.node(func(c *live.Config) {
			c.Fit = func() error { return fault.New(fault.NoRoom, "The disk is nearly full.") }
			c.Urgent = map[string]bool{"end": true}
		})
		_, err := full.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{}`))
		require.True(t, fault.Is(err, fault.NoRoom), "%v", err)
		_, err = full.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "end", `{}`))
		require.NoError(t, err)
	})
}

// Whoever was here once and knows the id sends what is refused, as often as there is room for it to wait, and what would be
// urgent from others: the shop's own commands and its stop find room and wait for no more than that.
func TestStrangersCannotKeepTheShopOut(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) {
			c.MostWaiting = 4
			c.Urgent = map[string]bool{"end": true}
		})
		_, err := h.View(t.Context(), w.technician, w.cal) // it is open here
		require.NoError(t, err)
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		own, strange := make(chan error, 8), make(chan error, 24)
		give := func(results chan error, actor stream.Actor, typ string) {
			cmd := w.cmd(w.cal, typ, `{}`)
			go func() { _, err := h.Do(t.Context(), actor, w.cal, cmd); results <- err }()
			synctest.Wait()
		}
		give(own, w.technician, "add") // is being written
		for range 6 {
			give(strange, w.stranger, "add")
			give(strange, w.stranger, "end")
		}
		require.Len(t, strange, 10, "half of the room for what waits, and none of that for what is urgent")
		give(own, w.technician, "add")
		give(own, w.technician, "add")
		for range 4 {
			give(own, w.technician, "end")
		}
		require.Empty(t, own, "all of it waits, none is refused")
		close(release)
		for range 7 {
			require.NoError(t, <-own)
		}
		refused := map[fault.Slug]int{}
		for range 12 {
			refused[fault.Of(<-strange).Slug]++
		}
		require.Equal(t, map[fault.Slug]int{fault.TooMany: 10, fault.NotHere: 2}, refused)
	})
}

// However much that is urgent comes, what waits has its turn in between.
func TestUrgentCommandsLeaveTurns(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) { c.Urgent = map[string]bool{"end": true} })
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{Before: func(ctx context.Context, _ live.Append) error { return wait(ctx, release) }})
		results := make(chan error, 31)
		for i := range 31 {
			cmd := w.cmd(w.cal, map[bool]string{true: "add", false: "end"}[i < 2], `{}`)
			go func() { _, err := h.Do(t.Context(), w.technician, w.cal, cmd); results <- err }()
			synctest.Wait()
		}
		close(release)
		for range 31 {
			require.NoError(t, <-results)
		}
		before := 0
		for i, e := range w.chain(w.cal)[2:] {
			if e.Type == "added" {
				before = i
			}
		}
		require.Equal(t, 8, before, "29 were urgent")
	})
}

// A stream that is full takes only what stops the work; a register, which must be able to retire a member, is never full.
func TestAFullStream(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		for name, full := range map[string]func(*live.Config){
			"entries": func(c *live.Config) { c.MostEntries = 1 },
			"bytes":   func(c *live.Config) { c.MostBytes = 10 },
		} {
			h := w.node(full, func(c *live.Config) { c.Urgent = map[string]bool{"end": true} })
			_, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
			require.True(t, fault.Is(err, fault.TooLarge), "%s: %v", name, err)
			_, err = h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "end", `{}`))
			require.NoError(t, err, name)
			_, err = h.Do(t.Context(), w.owner, w.register(), w.cmd(w.register(), "set-limit", `{"n":9}`))
			require.NoError(t, err, name)
		}
		w.do(w.technician, w.cal, "add", `{"n":1}`)
	})
}

// Between two comparisons with the store's clock this machine's is set back. Time limits would stand still, so nothing is
// decided until it has caught up, but what stops the work is.
func TestAClockThatIsSetBack(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		var back atomic.Int64
		h := w.node(func(c *live.Config) {
			c.Now = func() time.Time { return time.Now().Add(-time.Duration(back.Load())) }
			c.Urgent = map[string]bool{"end": true}
		})
		add := func() error {
			_, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
			return err
		}
		require.NoError(t, add())
		back.Store(int64(2 * time.Second))
		require.NoError(t, add(), "clocks of two nodes may differ by so much")
		back.Store(int64(10 * time.Second))
		err := add()
		require.True(t, fault.Is(err, fault.NotReady), "%v", err)
		_, err = h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "end", `{}`))
		require.NoError(t, err)
		entries := w.chain(w.cal)
		require.Equal(t, entries[len(entries)-2].At, entries[len(entries)-1].At, "a trail never runs backwards")
		time.Sleep(8 * time.Second)
		require.NoError(t, add(), "it has caught up")
	})
}

// clumsy are rules with a mistake in them.
type clumsy struct{ stream.Rules }

func (c clumsy) Decide(s stream.State, a stream.Actor, cmd stream.Command, f stream.Facts, now time.Time) (stream.Decision, error) {
	if cmd.Type == "note" {
		panic("a mistake")
	}
	return c.Rules.Decide(s, a, cmd, f, now)
}

// A panic in a kind's rules costs the stream its followers and the command its answer, and nobody anything else.
func TestAPanicEndsOneStreamOnly(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		h := w.node(func(c *live.Config) {
			c.Rules = toys()
			c.Rules[stream.Calibration] = clumsy{toys()[stream.Calibration]}
		})
		from := w.last(w.cal)
		e, _ := w.follow(h, w.technician, w.cal, from)
		other, _ := w.follow(h, w.technician, w.job, w.last(w.job))
		_, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "note", `{"note":"x"}`))
		require.True(t, fault.Is(err, fault.InternalFault), "%v", err)
		synctest.Wait()
		require.Equal(t, []live.Reason{live.Failed}, e.ended())
		require.Empty(t, other.ended())
		require.Equal(t, from, w.last(w.cal))

		got, err := h.Do(t.Context(), w.technician, w.cal, w.cmd(w.cal, "add", `{"n":1}`))
		require.NoError(t, err, "it is read anew")
		require.Equal(t, from+1, got.Seq)
	})
}

// Only so many hold a stream's entries in memory at once; another waits a little and is then refused.
func TestReadersTakeTurns(t *testing.T) {
	inBubble(t, func(t *testing.T, w *world) {
		release := make(chan struct{})
		w.store.Hook(memstore.Hooks{OnLoad: func(ctx context.Context, _ stream.Ref, after uint64) error {
			if after > 0 {
				return nil // the stream's own look at what is new
			}
			return wait(ctx, release)
		}})
		results := make(chan error, 9)
		for range 9 {
			go func() {
				_, err := w.hub.Records(t.Context(), w.technician, w.cal)
				results <- err
			}()
		}
		start := time.Now()
		err := <-results
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		require.Equal(t, 5*time.Second, time.Since(start))
		close(release)
		for range 8 {
			require.NoError(t, <-results)
		}
	})
}
