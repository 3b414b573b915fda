package postgres

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/notify"
	"readback/internal/stream"
)

// Tail numbers the entries of all streams in one order, for whoever has to see each of them once: no gap in the numbers,
// no entry passed over, the entries of one stream in their own order. Any number of nodes may run one; whichever holds
// the cursor's row does the work, the others pass it by.
//
// The order is that of the transactions that wrote the entries. One that began early may commit late, so only entries
// below the oldest transaction still running are taken: nothing can come before them any more. A write transaction
// that is left open anywhere in the cluster therefore holds up the Tail, and nobody else.
//
// It is woken by the Bus, looks again soon while there are entries that are not settled, and looks slowly all the time.
type Tail struct {
	db   *DB
	stop context.CancelFunc
	wg   sync.WaitGroup
	news chan struct{} // holds one
}

const (
	mostNumbered  = 5000                   // entries in one statement
	gathering     = 5 * time.Millisecond   // after a wake-up, so that a busy service numbers many entries at once
	lessSoon      = 100 * time.Millisecond // how far the pauses grow while what is left is not settled
	numberTimeout = 20 * time.Second
)

// Follow starts a Tail that b wakes. Close it before b. A Bus wakes one Tail.
func (d *DB) Follow(b *Bus) *Tail {
	ctx, stop := context.WithCancel(context.Background())
	t := &Tail{db: d, stop: stop, news: make(chan struct{}, 1)}
	t.wg.Go(func() { t.run(ctx, b.stirred) })
	return t
}

// News holds a signal when there may be new numbers. It is a hint for one receiver, and only for what this node gave:
// look slowly beside it.
func (t *Tail) News() <-chan struct{} { return t.news }

// Close ends the Tail. Another node, or the next start, goes on where it was.
func (t *Tail) Close() {
	t.stop()
	t.wg.Wait()
}

func (t *Tail) run(ctx context.Context, wake <-chan struct{}) {
	var pause time.Duration // before looking again when something is left; 0: nothing is
	interrupted := false
	for {
		taken, left, err := t.db.number(ctx, mostNumbered)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			if !interrupted {
				t.db.log.WarnContext(ctx, "numbering entries was interrupted", "error", err)
			}
			pause = min(max(2*pause, shortestPause), longestPause)
		case taken > 0:
			wakeUp(t.news)
			pause = gathering
		case left:
			pause = min(max(2*pause, gathering), lessSoon)
		default:
			pause = 0
		}
		interrupted = err != nil
		if pause > 0 {
			if !sleep(ctx, pause) {
				return
			}
			continue
		}
		select {
		case <-ctx.Done():
			return
		case <-wake:
			if !sleep(ctx, gathering) {
				return
			}
		case <-time.After(t.db.opt.PollEvery):
		}
	}
}

// sleep reports whether it was not cut short.
func sleep(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

func wakeUp(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// sqlUnnumbered looks whether there is anything to do, without taking a transaction id: one that is only read from holds
// nobody up.
const sqlUnnumbered = `
select exists (select from entry e where e.tx >= c.tx and (e.tx, e.stream, e.seq) > (c.tx, c.stream, c.seq))
from leaf_cursor c`

// sqlNumber numbers a batch in one statement, so in one snapshot. The row of the cursor comes as it is when it is locked:
// if another process has moved it since the snapshot was taken, what it numbered lies behind it, and what it did not lies
// ahead or is not below this snapshot's oldest transaction.
const sqlNumber = `
with cursor as materialized (
	select tx, stream, seq, next from leaf_cursor for update skip locked
), taken as materialized (
	select c.next + row_number() over (order by e.tx, e.stream, e.seq) - 1 as idx, e.tx, e.stream, e.seq
	from cursor c cross join lateral (
		select tx, stream, seq from entry
		where entry.tx >= c.tx and (entry.tx, entry.stream, entry.seq) > (c.tx, c.stream, c.seq)
			and entry.tx < pg_snapshot_xmin(pg_current_snapshot())
		order by entry.tx, entry.stream, entry.seq limit $1
	) e
), given as (
	insert into leaf (idx, stream, seq) select idx, stream, seq from taken order by idx
), moved as (
	update leaf_cursor set tx = last.tx, stream = last.stream, seq = last.seq, next = last.idx + 1
	from (select * from taken order by idx desc limit 1) as last
)
select count(*) from taken`

// number gives numbers to what is settled, unless another process is at it. left: there are entries that got none.
func (d *DB) number(ctx context.Context, most int) (taken int, left bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, numberTimeout)
	defer cancel()
	taken, err = reading(d.writer, func() (taken int, err error) { // done twice it numbers nothing twice
		if err = d.writer.QueryRow(ctx, sqlUnnumbered).Scan(&left); err == nil && left {
			err = d.writer.QueryRow(ctx, sqlNumber, most).Scan(&taken)
		}
		return taken, err
	})
	if err != nil {
		return 0, false, fmt.Errorf("number entries: %w", explain(err))
	}
	return taken, left && taken == 0, nil
}

const sqlLeaves = `
select l.idx, e.kind, l.stream, l.seq from leaf l join entry e using (stream, seq)
where l.idx >= $1 order by l.idx limit $2`

// Leaves gives the entries from that number on, in order.
func (d *DB) Leaves(ctx context.Context, from uint64, limit int) ([]notify.Leaf, error) {
	leaves, err := reading(d.writer, func() ([]notify.Leaf, error) {
		rows, err := d.writer.Query(ctx, sqlLeaves, int64(from), limit)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (l notify.Leaf, err error) {
			var idx, seq int64
			var id pgtype.UUID
			var kind string
			err = row.Scan(&idx, &kind, &id, &seq)
			return notify.Leaf{Index: uint64(idx), Entry: stream.Ref{Kind: stream.Kind(kind), ID: id.Bytes}, Seq: uint64(seq)}, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("follow all entries: %w", explain(err))
	}
	return leaves, nil
}
