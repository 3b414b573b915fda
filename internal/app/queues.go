package app

import (
	"context"
	"sync"
	"time"

	"readback/internal/calibration"
	"readback/internal/httpapi"
	"readback/internal/postgres"
	"readback/internal/stream"
)

// mostWaiting is how many requests of a desk's queue are read, and how many that it has in hand.
const mostWaiting = 500

// queues reads what waits for desks and what they have in hand. Whenever a request changes, everybody who waits asks where they
// stand: they share what is read of a desk. The rows are for all of them, and changed by none.
type queues struct {
	db              *postgres.DB
	waiting, inHand together[stream.ID, []httpapi.Row]
}

func newQueues(db *postgres.DB) *queues { return &queues{db: db} }

// Waiting are the requests that wait for the desk, the most urgent first.
func (q *queues) Waiting(ctx context.Context, desk stream.ID) ([]httpapi.Row, error) {
	return q.waiting.ask(ctx, desk, func(ctx context.Context) ([]httpapi.Row, error) {
		return rows(q.db.For(desk).Waiting(ctx, postgres.Turn{}, mostWaiting))
	})
}

// atWork are the phases in which a claim is somebody's work.
var atWork = []string{string(calibration.Guided), string(calibration.Running), string(calibration.Stopped)}

// InHand are the calibrations that the desk's people have claimed and not done with.
func (q *queues) InHand(ctx context.Context, desk stream.ID) ([]httpapi.Row, error) {
	return q.inHand.ask(ctx, desk, func(ctx context.Context) ([]httpapi.Row, error) {
		f := postgres.Filter{Desk: &desk, Kind: stream.Calibration, Phases: atWork, Limit: mostWaiting}
		return rows(q.db.For(desk).Heads(ctx, f))
	})
}

// together lets those who ask for the same thing at once share one reading of it. What anybody gets was read after they asked,
// so nobody sees less than without it: who comes while a reading is under way waits for the next one, with all others who do.
// The zero value is ready; it may be used from many goroutines.
type together[K comparable, T any] struct {
	mu sync.Mutex // guards what follows
	of map[K]*readings[T]
}

// readings are those of one thing; there is no entry for a thing that nobody reads.
type readings[T any] struct{ under, next *reading[T] }

type reading[T any] struct {
	done chan struct{} // closed when what follows stands
	got  T
	err  error
}

// mostReading is how long a reading may take, which goes on for the others when the one who does it has gone.
const mostReading = 15 * time.Second

func (t *together[K, T]) ask(ctx context.Context, what K, read func(context.Context) (T, error)) (T, error) {
	t.mu.Lock()
	all := t.of[what]
	if all == nil {
		all = &readings[T]{}
		if t.of == nil {
			t.of = map[K]*readings[T]{}
		}
		t.of[what] = all
	}
	r, before := all.next, all.under
	mine := r == nil
	if mine {
		r = &reading[T]{done: make(chan struct{})}
		all.next = r
	}
	t.mu.Unlock()
	if mine {
		if before != nil {
			<-before.done
		}
		t.do(ctx, what, all, r, read)
		return r.got, r.err
	}
	select {
	case <-r.done:
		return r.got, r.err
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
}

// do reads for all who wait for it.
func (t *together[K, T]) do(ctx context.Context, what K, all *readings[T], r *reading[T], read func(context.Context) (T, error)) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), mostReading)
	defer cancel()
	t.mu.Lock()
	all.under, all.next = r, nil
	t.mu.Unlock()
	defer func() {
		t.mu.Lock()
		all.under = nil
		if all.next == nil {
			delete(t.of, what)
		}
		t.mu.Unlock()
		close(r.done)
	}()
	r.got, r.err = read(ctx)
}
