package postgres

import (
	"context"
	"encoding/base64"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/live"
	"readback/internal/stream"
)

// Bus listens for the streams that other nodes appended to. It has a connection of its own. What it was told is gathered
// until someone receives it, each stream once, so whoever receives slowly holds nobody up.
//
// A notification is lost when it comes while the connection is broken, so that is not what the Bus relies on: after each
// connect, and slowly all the time, it reads from the trail which streams changed since it last looked. It looks by
// transaction: whatever was not visible then belongs to a transaction that was running or came later.
//
// What nodes tell each other beside the trail passes over the same connection, and needs no such care (tell.go).
type Bus struct {
	db      *DB
	ended   Ended
	changed chan []stream.ID
	talk    *talk
	stirred chan struct{} // holds one: something was appended, by whatever node, this one too
	stop    context.CancelFunc
	wg      sync.WaitGroup

	mu     sync.Mutex
	told   map[stream.ID]struct{} // guarded by mu
	any    bool                   // guarded by mu: too many to name
	filled chan struct{}          // holds one: told or any changed

	// the listening goroutine's own
	cursor string // the transaction from which on changes were not seen yet, as xid8 in text
}

var _ live.Bus = (*Bus)(nil)

const (
	channel    = "readback"
	encodedID  = 22   // characters of a stream's id in a notification
	mostNamed  = 5000 // streams told one by one; more are "any, look"
	mostLooked = 5000 // entries read by one look; more are "any, look"
)

// Listen starts a Bus, which also tells of sessions that end. It returns once nothing that is committed from then on can be
// missed. Close it before the DB.
func (d *DB) Listen(ctx context.Context, ended Ended) (*Bus, error) {
	b := &Bus{db: d, ended: ended, changed: make(chan []stream.ID), talk: newTalk(), stirred: make(chan struct{}, 1), told: map[stream.ID]struct{}{}, filled: make(chan struct{}, 1)}
	conn, err := b.connect(ctx)
	if err == nil {
		err = b.look(ctx)
	}
	if err != nil {
		if conn != nil {
			closeConn(conn)
		}
		return nil, fmt.Errorf("listen for changes: %w", explain(err))
	}
	run, stop := context.WithCancel(context.Background())
	b.stop = stop
	b.wg.Go(func() { b.listen(run, conn) })
	b.wg.Go(func() { b.deliver(run) })
	b.wg.Go(func() { b.speak(run) })
	b.wg.Go(func() { b.talk.repeat(run) })
	return b, nil
}

// Changed delivers the streams that have new entries, those of other nodes at least; an empty slice means "any, look".
// The channel is never closed.
func (b *Bus) Changed() <-chan []stream.ID { return b.changed }

// Close ends the Bus.
func (b *Bus) Close() {
	b.stop()
	b.wg.Wait()
}

func (b *Bus) connect(ctx context.Context) (*pgx.Conn, error) {
	conn, err := pgx.ConnectConfig(ctx, b.db.connConfig(hubRole))
	if err != nil {
		return nil, err
	}
	if _, err := conn.Exec(ctx, `listen `+channel+`; listen `+endedChannel+`; listen `+toldChannel); err != nil {
		closeConn(conn)
		return nil, err
	}
	return conn, nil
}

// listen owns conn and every one that replaces it.
func (b *Bus) listen(ctx context.Context, conn *pgx.Conn) {
	pause := shortestPause
	for {
		err := b.hear(ctx, conn)
		closeConn(conn)
		if ctx.Err() != nil {
			return
		}
		b.db.log.WarnContext(ctx, "listening for changes was interrupted", "error", err)
		for conn = nil; conn == nil; {
			select {
			case <-ctx.Done():
				return
			case <-time.After(pause):
			}
			if conn, err = b.connect(ctx); err == nil {
				err = b.look(ctx)
			}
			if err == nil {
				wakeUp(b.stirred)
				b.talk.miss()
				break
			}
			if conn != nil {
				closeConn(conn)
				conn = nil
			}
			pause = min(2*pause, longestPause)
		}
		pause = shortestPause
	}
}

// hear takes notifications, and looks from time to time, until the connection fails.
func (b *Bus) hear(ctx context.Context, conn *pgx.Conn) error {
	next := time.Now().Add(b.db.opt.PollEvery)
	for {
		wait, cancel := context.WithDeadline(ctx, next)
		n, err := conn.WaitForNotification(wait)
		cancel()
		switch {
		case err == nil && n.Channel == endedChannel:
			b.ended.take(n.Payload)
		case err == nil && n.Channel == toldChannel:
			b.talk.hear(n.Payload)
		case err == nil:
			wakeUp(b.stirred)
			if n.PID != b.db.appender.pid.Load() { // what this node appended it has delivered already
				b.take(n.Payload)
			}
		case ctx.Err() != nil:
			return ctx.Err()
		case !ended(err):
			return err
		}
		if !time.Now().Before(next) {
			if err := b.look(ctx); err != nil {
				return err
			}
			if err := conn.Ping(ctx); err != nil { // also finds a connection that died without saying so
				return err
			}
			next = time.Now().Add(b.db.opt.PollEvery)
		}
	}
}

// take gathers one notification.
func (b *Bus) take(payload string) {
	if len(payload)%encodedID != 0 || payload == "" {
		b.tell(nil, true) // "*", or a form we do not know
		return
	}
	ids := make([]stream.ID, 0, len(payload)/encodedID)
	for ; payload != ""; payload = payload[encodedID:] {
		var id stream.ID
		if n, err := base64.RawStdEncoding.Decode(id[:], []byte(payload[:encodedID])); err != nil || n != len(id) {
			b.tell(nil, true)
			return
		}
		ids = append(ids, id)
	}
	b.tell(ids, false)
}

// sqlBegin is where changes that are not visible now will be.
const sqlBegin = `select pg_snapshot_xmin(pg_current_snapshot())::text`

// sqlLook gives that and what came since, in one statement, so in one snapshot.
const sqlLook = `
with e as materialized (select stream from entry where tx >= $1::text::xid8 order by tx limit $2)
select pg_snapshot_xmin(pg_current_snapshot())::text, (select count(*) from e),
	(select coalesce(array_agg(distinct stream), '{}') from e)`

// look gathers the streams that changed since the last look. The first only remembers where to begin.
func (b *Bus) look(ctx context.Context) error {
	if err := b.ended.look(ctx, b.db.hub); err != nil {
		return err
	}
	if b.cursor == "" {
		return b.db.hub.QueryRow(ctx, sqlBegin).Scan(&b.cursor)
	}
	var entries int
	var changed []pgtype.UUID
	if err := b.db.hub.QueryRow(ctx, sqlLook, b.cursor, mostLooked+1).Scan(&b.cursor, &entries, &changed); err != nil {
		return err
	}
	ids := make([]stream.ID, len(changed))
	for i, id := range changed {
		ids[i] = id.Bytes
	}
	b.tell(ids, entries > mostLooked)
	return nil
}

func (b *Bus) tell(ids []stream.ID, any bool) {
	b.mu.Lock()
	for _, id := range ids {
		b.told[id] = struct{}{}
	}
	if any || len(b.told) > mostNamed {
		b.any = true
		clear(b.told)
	}
	some := b.any || len(b.told) > 0
	b.mu.Unlock()
	if some {
		select {
		case b.filled <- struct{}{}:
		default:
		}
	}
}

// deliver hands over what was gathered whenever someone receives.
func (b *Bus) deliver(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-b.filled:
		}
		ids := b.gathered()
		if ids == nil {
			continue
		}
		select {
		case <-ctx.Done():
			return
		case b.changed <- ids:
		}
	}
}

// gathered empties what was gathered: nil for nothing, an empty slice for "any".
func (b *Bus) gathered() []stream.ID {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.any {
		b.any = false
		clear(b.told)
		return []stream.ID{}
	}
	if len(b.told) == 0 {
		return nil
	}
	ids := make([]stream.ID, 0, len(b.told))
	for id := range b.told {
		ids = append(ids, id)
	}
	clear(b.told)
	return ids
}

func closeConn(conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	conn.Close(ctx)
}
