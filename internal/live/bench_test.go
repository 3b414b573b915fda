package live_test

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
)

// openMany opens calibrations in the world's job.
func (w *world) openMany(n int) []stream.Ref {
	refs := make([]stream.Ref, n)
	for i := range refs {
		refs[i] = stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
		w.do(w.technician, refs[i], "open", `{"job":"`+w.job.ID.String()+`"}`)
	}
	return refs
}

// BenchmarkDo gives commands to 1000 open streams, one at a time each, over a store in memory. Followed adds two
// followers to each stream, the usual number; sealed gives a command with a personal value; facts one that relies on the
// register's newest state.
func BenchmarkDo(b *testing.B) {
	const streams, senders = 1000, 64
	for _, c := range []struct {
		name, typ, data string
		followed        bool
	}{
		{"plain", "start", `{}`, false},
		{"followed", "start", `{}`, true},
		{"sealed", "note", `{"note":"battery support connected"}`, true},
		{"facts", "add", `{"n":1}`, true},
	} {
		b.Run(c.name, func(b *testing.B) {
			w := newWorld(b)
			w.hub = w.node(func(c *live.Config) { c.Bus = nil })
			refs := w.openMany(streams)
			if c.followed {
				for _, ref := range refs {
					for range 2 {
						_, err := w.hub.Follow(b.Context(), w.technician, ref, 1, nobody{})
						require.NoError(b, err)
					}
				}
			}
			work := make(chan int, senders)
			var wg sync.WaitGroup
			b.ReportAllocs()
			b.ResetTimer()
			for range senders {
				wg.Go(func() {
					for i := range work {
						who := w.technician
						who.Member = stream.NewID() // a start each: nobody is busy elsewhere
						cmd := stream.Command{ID: stream.NewID(), Base: 1, Type: c.typ, Data: []byte(c.data)}
						if _, err := w.hub.Do(b.Context(), who, refs[i%streams], cmd); err != nil {
							b.Error(err)
						}
					}
				})
			}
			for i := range b.N {
				work <- i
			}
			close(work)
			wg.Wait()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commands/s")
		})
	}
}

// nobody takes everything and keeps nothing.
type nobody struct{ deaf }

// BenchmarkOpenStream reports what one open stream costs in memory, beyond its entries in the store, with a follower.
func BenchmarkOpenStream(b *testing.B) {
	const streams = 500
	for _, entries := range []int{1, 50} {
		b.Run(fmt.Sprint("entries ", entries), func(b *testing.B) {
			w := newWorld(b)
			refs := w.openMany(streams)
			for _, ref := range refs {
				for range entries - 1 {
					cmd := stream.Command{ID: stream.NewID(), Base: 1, Type: "end", Data: []byte(`{}`)}
					_, err := w.hub.Do(b.Context(), w.technician, ref, cmd)
					require.NoError(b, err)
				}
			}
			for range b.N {
				h := w.node(func(c *live.Config) { c.Bus = nil })
				_, err := h.View(b.Context(), w.technician, w.job)
				require.NoError(b, err)
				before := inUse()
				for _, ref := range refs {
					_, err := h.Follow(b.Context(), w.technician, ref, uint64(entries), nobody{})
					require.NoError(b, err)
				}
				b.ReportMetric(float64(inUse()-before)/streams, "B/stream")
			}
		})
	}
}

// inUse is the bytes of heap and stacks in use.
func inUse() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapInuse + m.StackInuse
}

// BenchmarkLive shows readings in one stream with two followers, on a clock that runs as fast as they come: what the hub adds
// to the rules' own computation.
func BenchmarkLive(b *testing.B) {
	w := newWorld(b)
	var ticks atomic.Int64
	start := time.Now()
	w.hub = w.node(func(c *live.Config) {
		c.Bus = nil
		c.Now = func() time.Time { return start.Add(time.Duration(ticks.Add(1)) * 50 * time.Millisecond) }
	})
	for range 2 {
		_, err := w.hub.Follow(b.Context(), w.technician, w.cal, w.last(w.cal), nobody{})
		require.NoError(b, err)
	}
	r := live.Reading{Data: []byte(`{"n":1}`)}
	b.ReportAllocs()
	for b.Loop() {
		r.N++
		if _, err := w.hub.Live(b.Context(), w.technician, w.cal, r); err != nil {
			b.Fatal(err)
		}
	}
}
