package bench

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/postgres"
	"readback/internal/testkit/memstore"
)

// forgetful is the database taken out: what is said while it is measured is kept nowhere.
type forgetful struct{ *memstore.Store }

func (f forgetful) Append(ctx context.Context, a live.Append) (live.Outcome, error) {
	if a.Record.Type == measured {
		return live.Won, nil
	}
	return f.Store.Append(ctx, a)
}

// alone is the database with a transaction, and a notification, for each.
type alone struct {
	live.Store
	single func(context.Context, live.Append) error
}

func (s alone) Append(ctx context.Context, a live.Append) (live.Outcome, error) {
	if a.Record.Type == measured {
		return live.Won, s.single(ctx, a)
	}
	return s.Store.Append(ctx, a)
}

// messages compares the live server on PostgreSQL with the same without a database, and with a transaction each: how
// many commands of one socket a second become entries at another, and how long that takes.
func messages(t *testing.T, d *database, b *book) {
	bus, err := d.db.Listen(t.Context(), postgres.Ended{})
	require.NoError(t, err)
	t.Cleanup(bus.Close)
	onPostgres := newSide(t, d.db, bus, d.cluster.Room)
	ways := []struct {
		name string
		side *side
	}{
		{"with group commit", onPostgres},
		{"without database", newSide(t, forgetful{memstore.New()}, nil, d.cluster.Room)},
		{"with a transaction each", newSide(t, alone{d.db, d.single}, nil, d.cluster.Room)},
	}
	// The register is there once for each database.
	ways[0].side.found(t)
	ways[1].side.found(t)
	for _, way := range ways {
		way.side.connect(t, d.pairs)
	}
	d.say("websocket to websocket", d.rounds, len(ways), d.each)
	got := rounds(d.rounds, d.long, len(ways), func(w int) did {
		return d.timed(t, func() (int64, time.Duration) { return ways[w].side.hammer(t, d.each) })
	})
	for w, way := range ways {
		b.note("websocket to websocket %s, %d calibrations: %s a second, %s µs of PostgreSQL CPU each", way.name, d.pairs,
			spread(pick(got[w], rate), "%.0f"), spread(pick(got[w], cpu), "%.1f"))
	}
	b.put("ws-memory", ratios(pick(got[0], rate), pick(got[1], rate)))
	b.put("ws-single", ratios(pick(got[0], rate), pick(got[2], rate)))
	b.put("cpu-ws", ratios(pick(got[0], cpu), pick(got[2], cpu)))

	latency(t, d, b, onPostgres)
}

// every is how often a calibration has a command where latency is measured.
const every = 200 * time.Millisecond

// latency compares how long one entry takes when commands come at regular times.
func latency(t *testing.T, d *database, b *book, s *side) {
	ways := []struct {
		name string
		next func(i int) func() error
	}{
		{"bare commit", d.lines(t, d.bare)},
		{"append", d.lines(t, d.won)},
		{"websocket to websocket", func(i int) func() error { return func() error { return s.pairs[i].message(t.Context()) } }},
	}
	d.say("latency", d.rounds, len(ways), d.paced)
	got := rounds(d.rounds, d.long, len(ways), func(w int) []float64 { return paced(t, d.steady, d.paced, ways[w].next) })
	p99 := make([][]float64, len(ways))
	for w, way := range ways {
		var all []float64
		for _, round := range got[w] {
			p99[w] = append(p99[w], quantile(round, 0.99))
			all = append(all, round...)
		}
		b.note("%s, %d calibrations × %d a second: p50 %.2f ms, p99 %.2f ms of %d samples; p99 of rounds %s ms", way.name, d.steady,
			int(time.Second/every), quantile(all, 0.5), quantile(all, 0.99), len(all), spread(p99[w], "%.2f"))
	}
	b.put("p99", ratios(p99[1], p99[0]))
	b.put("p99-ws", ratios(p99[2], p99[0]))
}

// lines gives each caller a stream of its own to append to.
func (d *database) lines(t *testing.T, add func(context.Context, live.Append) error) func(int) func() error {
	return func(int) func() error {
		l := newLine()
		return func() error {
			a := l.next()
			if err := add(t.Context(), a); err != nil {
				return err
			}
			l.won(a)
			return nil
		}
	}
}

// paced lets so many callers act at regular times, evenly spread, and gives how long each took after its time had come,
// in milliseconds.
func paced(t *testing.T, callers int, each time.Duration, caller func(int) func() error) []float64 {
	var mu sync.Mutex
	var took []float64
	var failed atomic.Bool
	var wg sync.WaitGroup
	begin := time.Now()
	for i := range callers {
		act := caller(i)
		wg.Go(func() {
			for due := begin.Add(every * time.Duration(i) / time.Duration(callers)); due.Sub(begin) < each; due = due.Add(every) {
				<-time.After(time.Until(due))
				if err := act(); err != nil {
					t.Error(fmt.Errorf("caller %d: %w", i, err))
					failed.Store(true)
					return
				}
				ms := time.Since(due).Seconds() * 1e3
				mu.Lock()
				took = append(took, ms)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if failed.Load() {
		t.FailNow()
	}
	return took
}
