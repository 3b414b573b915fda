package postgres

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"sync/atomic"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
)

// Append makes one entry durable. It returns after the commit, Won also when this very entry was there already.
//
// An entry that was already sent when ctx ends is committed all the same; like every error, the returned one then means
// that the outcome is unknown. Entries of one stream never go into one statement: callers have at most one in flight
// per stream, and a second waits its turn.
func (d *DB) Append(ctx context.Context, a live.Append) (live.Outcome, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	p, err := newPending(a)
	if err != nil {
		return 0, fmt.Errorf("append to %s: %w", a.Record.Ref(), err)
	}
	if !d.appender.queue.put(p) {
		return 0, fmt.Errorf("append to %s: %w", a.Record.Ref(),
			fault.New(fault.NotReady, "The server is stopping and accepts no more."))
	}
	select {
	case got := <-p.done:
		if got.err != nil {
			return 0, fmt.Errorf("append to %s: %w", a.Record.Ref(), got.err)
		}
		return got.outcome, nil
	case <-ctx.Done():
		p.abandoned.Store(true)
		return 0, fmt.Errorf("append to %s: %w", a.Record.Ref(), ctx.Err())
	}
}

// pending is an Append on its way. Whoever took it off the queue answers it exactly once.
type pending struct {
	live.Append
	summary   json.RawMessage
	bytes     int
	done      chan answer // holds one
	abandoned atomic.Bool // the caller is gone; not worth sending if it was not sent yet
}

type answer struct {
	outcome live.Outcome
	err     error
}

// rowOverhead is what an entry costs on the wire beside its body and summary, in bytes, about.
const rowOverhead = 400

func newPending(a live.Append) (*pending, error) {
	summary, err := json.Marshal(a.Summary.Data)
	if err != nil {
		return nil, fmt.Errorf("encode the summary: %w", err)
	}
	return &pending{
		Append: a, summary: summary, bytes: len(a.Record.Body) + len(summary) + rowOverhead, done: make(chan answer, 1),
	}, nil
}

func (p *pending) answer(outcome live.Outcome, err error) { p.done <- answer{outcome, err} }

// byKey orders as the primary key does: statements of several nodes that lock rows in one order cannot deadlock.
func byKey(a, b *pending) int {
	if c := bytes.Compare(a.Record.Stream[:], b.Record.Stream[:]); c != 0 {
		return c
	}
	return cmp.Compare(a.Record.Seq, b.Record.Seq)
}

// queue is what waits for the appender, in the order it came.
type queue struct {
	mu     sync.Mutex
	filled sync.Cond // waiting changed from empty, or closed was set
	// guarded by mu
	waiting []*pending
	closed  bool

	spare []*pending // the appender's own
	taken map[stream.ID]struct{}
}

func newQueue() *queue {
	q := &queue{taken: map[stream.ID]struct{}{}}
	q.filled.L = &q.mu
	return q
}

// put reports whether the queue still takes any.
func (q *queue) put(p *pending) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed {
		return false
	}
	q.waiting = append(q.waiting, p)
	if len(q.waiting) == 1 {
		q.filled.Signal()
	}
	return true
}

// close lets take go on until nothing waits.
func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	q.filled.Signal()
}

// take waits until something waits and returns what can go into one statement: the oldest first, at most one entry of a
// stream, a start of a leg by itself. It returns nil once the queue is closed and empty. Only the appender calls it; what
// it returned is valid until the next call.
func (q *queue) take(mostEntries, mostBytes int) []*pending {
	q.mu.Lock()
	defer q.mu.Unlock()
	for {
		for len(q.waiting) == 0 {
			if q.closed {
				return nil
			}
			q.filled.Wait()
		}
		if batch := q.pick(mostEntries, mostBytes); len(batch) > 0 {
			return batch
		}
	}
}

// pick is take's choice. It returns nothing if all that waited was abandoned.
func (q *queue) pick(mostEntries, mostBytes int) []*pending {
	clear(q.taken)
	batch, size := q.spare[:0], 0
	held := q.waiting[:0]
	full := false
	for _, p := range q.waiting {
		if p.abandoned.Load() {
			continue
		}
		id := p.Record.Stream
		_, same := q.taken[id]
		full = full || len(batch) >= mostEntries || size+p.bytes > mostBytes && len(batch) > 0 || p.Runs != nil && len(batch) > 0
		if full || same {
			held = append(held, p)
			continue
		}
		q.taken[id] = struct{}{}
		batch = append(batch, p)
		size += p.bytes
		full = p.Runs != nil
	}
	clear(q.waiting[len(held):])
	q.waiting, q.spare = held, batch
	return batch
}
