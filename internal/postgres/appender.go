package postgres

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
)

const (
	mostBytes        = 8 << 20          // in one statement
	statementTimeout = 20 * time.Second // then the connection is given up and the batch sent again
	shortestPause    = 10 * time.Millisecond
	longestPause     = 500 * time.Millisecond
)

// appender is the one goroutine of a DB that appends. It takes whatever is pending the moment it is free and commits it
// as one statement on a connection of its own; while that runs, the next batch gathers by itself, so there is no timer and
// nothing to tune.
//
// A connection that breaks leaves the outcome unknown: the same bytes are sent again on a new one. If the old
// statement is still at work in the server, the new one waits for it at the primary key. What stands there then, with the same
// hash, was ours.
type appender struct {
	queue  *queue
	config *pgx.ConnConfig
	log    *slog.Logger
	most   int
	wait   time.Duration

	stopped chan struct{}      // closed when run has returned
	abort   context.CancelFunc // gives up on what is in flight
	pid     atomic.Uint32      // of the server process behind conn
	stats   appendCounters

	// run's own
	conn      *pgx.Conn
	columns   columns
	downSince time.Time // since when the database does not answer; zero while it does
	pause     time.Duration
}

// AppendStats counts what the appender did since the DB was opened.
type AppendStats struct {
	Batches   uint64 // statements that committed
	Entries   uint64 // entries won
	Lost      uint64 // entries that came too late
	Resent    uint64 // times a batch was sent again: a broken connection, a deadlock
	Split     uint64 // batches cut in two because a row in them was refused
	Largest   uint64 // most entries in one committed statement
	Reconnect uint64 // connections made, beyond the first
}

type appendCounters struct {
	batches, entries, lost, resent, split, largest, connects atomic.Uint64
}

// AppendStats may be called at any time.
func (d *DB) AppendStats() AppendStats {
	s := &d.appender.stats
	return AppendStats{
		Batches: s.batches.Load(), Entries: s.entries.Load(), Lost: s.lost.Load(), Resent: s.resent.Load(),
		Split: s.split.Load(), Largest: s.largest.Load(), Reconnect: max(s.connects.Load(), 1) - 1,
	}
}

func startAppender(config *pgx.ConnConfig, opt Options) *appender {
	// One generic plan, made once for arrays of unknown length, must not be a nested loop over them: at a thousand rows
	// that is a million comparisons. Hash joins cost nothing at any length.
	config.RuntimeParams["plan_cache_mode"] = "force_generic_plan"
	config.RuntimeParams["enable_nestloop"] = "off"
	config.RuntimeParams["jit"] = "off"
	ctx, abort := context.WithCancel(context.Background())
	a := &appender{
		queue: newQueue(), config: config, log: opt.Log, most: opt.BatchEntries, wait: opt.Patience,
		stopped: make(chan struct{}), abort: abort,
	}
	go a.run(ctx)
	return a
}

func (a *appender) close(ctx context.Context) error {
	a.queue.close()
	defer a.abort()
	select {
	case <-a.stopped:
		return nil
	case <-ctx.Done():
		a.abort()
		<-a.stopped
		return fmt.Errorf("finish appending: %w", ctx.Err())
	}
}

func (a *appender) run(ctx context.Context) {
	defer close(a.stopped)
	for {
		batch := a.queue.take(a.most, mostBytes)
		if batch == nil {
			break
		}
		slices.SortFunc(batch, byKey)
		a.commit(ctx, batch)
		clear(batch)
	}
	a.drop()
}

// commit answers every entry of the batch.
func (a *appender) commit(ctx context.Context, batch []*pending) {
	for len(batch) > 0 {
		left, err := a.try(ctx, batch)
		switch {
		case err == nil:
			a.up()
		case ctx.Err() != nil:
			fail(left, fault.New(fault.NotReady, "The server stopped before this was committed.").Because(err))
			return
		case again(err):
			a.stats.resent.Add(1)
		case broken(err) || ended(err):
			a.drop()
			if !a.down(ctx, err) {
				fail(left, unreachable.Because(err))
				return
			}
			a.stats.resent.Add(1)
		case isRunsElsewhere(err) && len(left) == 1:
			left[0].answer(live.RunsElsewhere, nil)
			return
		case ofARow(err) && len(left) > 1:
			a.stats.split.Add(1)
			half := len(left) / 2
			a.commit(ctx, left[:half:half])
			batch = left[half:]
			continue
		default:
			fail(left, explain(err))
			return
		}
		batch = left
	}
}

// try sends the batch once and answers the entries whose outcome is known then. Those left have none: because of err.
func (a *appender) try(ctx context.Context, batch []*pending) (left []*pending, err error) {
	ctx, cancel := context.WithTimeout(ctx, statementTimeout)
	defer cancel()
	conn, err := a.connect(ctx)
	if err != nil {
		return batch, err
	}
	won, err := a.columns.insert(ctx, conn, batch)
	if err != nil {
		return batch, err
	}
	a.stats.batches.Add(1)
	a.stats.entries.Add(uint64(len(won)))
	if n := uint64(len(won)); n > a.stats.largest.Load() {
		a.stats.largest.Store(n)
	}
	if left = settle(batch, won, live.Won); len(left) == 0 {
		return nil, nil
	}
	same, err := a.columns.same(ctx, conn, left)
	if err != nil {
		return left, err
	}
	left = settle(left, same, live.Won)
	a.stats.lost.Add(uint64(len(left)))
	for _, p := range left {
		p.answer(live.Lost, nil)
	}
	return nil, nil
}

// settle answers the entries of the streams in yes and returns the others.
func settle(batch []*pending, yes map[stream.ID]bool, outcome live.Outcome) (others []*pending) {
	for _, p := range batch {
		if yes[p.Record.Stream] {
			p.answer(outcome, nil)
		} else {
			others = append(others, p)
		}
	}
	return others
}

func fail(batch []*pending, err error) {
	for _, p := range batch {
		p.answer(0, err)
	}
}

func isRunsElsewhere(err error) bool { return fault.Is(explain(err), fault.BusyElsewhere) }

// connect gives the appender's connection, making a new one if there is none.
func (a *appender) connect(ctx context.Context) (*pgx.Conn, error) {
	if a.conn != nil {
		return a.conn, nil
	}
	conn, err := pgx.ConnectConfig(ctx, a.config)
	if err != nil {
		return nil, err
	}
	if err := wantDurable(ctx, conn); err != nil {
		conn.Close(ctx)
		return nil, err
	}
	a.conn = conn
	a.pid.Store(conn.PgConn().PID())
	a.stats.connects.Add(1)
	return conn, nil
}

// wantDurable undoes a default of the server or the user by which commits are acknowledged before they are flushed.
// A stricter one, that waits for standbys too, stays.
func wantDurable(ctx context.Context, conn *pgx.Conn) error {
	_, err := conn.Exec(ctx,
		`select set_config('synchronous_commit', 'local', false) where current_setting('synchronous_commit') = 'off'`)
	return err
}

// drop closes the connection, whatever state it is in.
func (a *appender) drop() {
	if a.conn == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	a.conn.Close(ctx)
	a.conn = nil
}

// up notes that the database answers.
func (a *appender) up() {
	if !a.downSince.IsZero() {
		a.log.Info("the database answers again", "after", time.Since(a.downSince).Round(time.Millisecond))
	}
	a.downSince, a.pause = time.Time{}, 0
}

// down notes that it does not, waits a while that grows, and reports whether it is worth another try. When it is not, what
// came meanwhile still gets its one try.
func (a *appender) down(ctx context.Context, cause error) bool {
	if a.downSince.IsZero() {
		a.downSince = time.Now()
		a.log.Warn("the database connection broke while appending", "error", cause)
	}
	a.pause = min(max(2*a.pause, shortestPause), longestPause)
	select {
	case <-ctx.Done():
		return false
	case <-time.After(a.pause):
		return time.Since(a.downSince) < a.wait
	}
}
