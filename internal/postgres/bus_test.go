package postgres

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

func listen(t testing.TB, d *DB) *Bus {
	t.Helper()
	b, err := d.Listen(t.Context(), Ended{})
	require.NoError(t, err)
	t.Cleanup(b.Close)
	return b
}

// hear receives until all of the streams were named, or "any" was said.
func hear(t testing.TB, b *Bus, streams ...stream.ID) {
	t.Helper()
	missing := map[stream.ID]bool{}
	for _, id := range streams {
		missing[id] = true
	}
	for len(missing) > 0 {
		select {
		case ids := <-b.Changed():
			if len(ids) == 0 {
				return
			}
			for _, id := range ids {
				delete(missing, id)
			}
		case <-time.After(30 * time.Second): // far more than it can take, so that a failure has a name
			t.Fatalf("not told of %d streams", len(missing))
		}
	}
}

// never is a poll period that does not come up in a test: what is heard then was told by a notification.
const never = 24 * time.Hour

func TestBusTellsOtherNodes(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	writer, reader := open(t, url, Options{PollEvery: never}), open(t, url, Options{PollEvery: never})
	b, own := listen(t, reader), listen(t, writer)

	hear(t, b, newLine().add(t, writer).Record.Stream)

	// what nobody receives is gathered, each stream once
	l := newLine()
	for range 50 {
		l.add(t, writer)
	}
	hear(t, b, l.ref.ID)

	// the most a notification can name, and one more
	for _, n := range []int{360, 361} {
		var batch []live.Append
		var ids []stream.ID
		for range n {
			a := newLine().next("x")
			batch, ids = append(batch, a), append(ids, a.Record.Stream)
		}
		for _, p := range together(t, writer, batch...) {
			require.Equal(t, answer{outcome: live.Won}, <-p.done)
		}
		hear(t, b, ids...)
	}

	// a node is not told what it appended itself, only what others did
	theirs := newLine().add(t, reader).Record.Stream
	require.Equal(t, []stream.ID{theirs}, <-own.Changed())
}

// TestBusLosesNothing: the listener's process is ended again and again while others append.
func TestBusLosesNothing(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	writer, reader := open(t, url, Options{}), open(t, url, Options{PollEvery: never})
	b := listen(t, reader)
	admin := superuser(t, url)
	for range 10 {
		killed := one[bool](t, admin, `
			select bool_and(pg_terminate_backend(pid, 10000)) from pg_stat_activity
			where datname = current_database() and query = 'listen readback; listen readback_ended; listen readback_told'`)
		require.True(t, killed)
		var ids []stream.ID
		for range 5 {
			ids = append(ids, newLine().add(t, writer).Record.Stream)
		}
		hear(t, b, ids...)
		hear(t, b, newLine().add(t, writer).Record.Stream)
	}
}

// TestBusPolls: a listener that is never notified finds out all the same.
func TestBusPolls(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{PollEvery: 20 * time.Millisecond})
	b := listen(t, d)
	for range 3 {
		r := newLine().next("x").Record
		insertSilently(t, superuser(t, url), r)
		hear(t, b, r.Stream)
	}
}

// insertSilently is an entry that nobody is told of.
func insertSilently(t testing.TB, conn interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}, r trail.Record) {
	t.Helper()
	_, err := conn.Exec(t.Context(), `
		insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
		values ($1, $2, 'calibration', 'x', 1, now(), $1, $1, $3, $4, $5)`,
		given(r.Stream), int64(r.Seq), r.Body, r.Prev[:], r.Hash[:])
	require.NoError(t, err)
}

// TestBusSeesOpenTransactions: entries become visible out of the order of their transactions; none is passed over.
func TestBusSeesOpenTransactions(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{PollEvery: never})
	admin := superuser(t, url)
	tx, err := admin.Begin(t.Context())
	require.NoError(t, err)
	slow := newLine().next("x").Record
	insertSilently(t, tx, slow)
	newLine().add(t, d)

	probe := &Bus{db: d, told: map[stream.ID]struct{}{}, filled: make(chan struct{}, 1)} // looks by hand
	require.NoError(t, probe.look(t.Context()))
	fast := newLine().add(t, d).Record.Stream
	require.NoError(t, probe.look(t.Context()))
	require.Contains(t, probe.gathered(), fast)
	require.NoError(t, tx.Commit(t.Context()))
	require.NoError(t, probe.look(t.Context()))
	require.Contains(t, probe.gathered(), slow.Stream)
}

// TestBusForms: what is told in a form that is not understood means "any".
func TestBusForms(t *testing.T) {
	t.Parallel()
	for payload, any := range map[string]bool{
		"": true, "*": true, "AAAAAAAAAAAAAAAAAAAAA?": true, "AAAAAAAAAAAAAAAAAAAAAA": false,
	} {
		b := &Bus{told: map[stream.ID]struct{}{}, filled: make(chan struct{}, 1)}
		b.take(payload)
		got := b.gathered()
		require.NotNil(t, got, payload)
		require.Equal(t, any, len(got) == 0, payload)
		require.Nil(t, b.gathered())
	}
}
