package postgres

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

// TestCutAnywhere breaks the connection at chosen bytes of the exchange of one append, before the server can have
// acted, after it has and before the answer is read. The caller always learns that the entry is durable, and it is there
// once.
func TestCutAnywhere(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	p := newProxy(t, database)
	d := open(t, p.url, Options{})
	l := newLine()
	l.add(t, d) // the statement is prepared
	p.count()
	l.add(t, d)
	sent, answered := p.count()
	require.Greater(t, sent, 500)
	require.Greater(t, answered, 50)

	for dir, total := range map[direction]int{toServer: sent, toClient: answered} {
		for _, at := range []int{0, 1, 5, total / 3, total / 2, total - 6, total - 1, total} {
			t.Run(fmt.Sprintf("direction %d byte %d of %d", dir, at, total), func(t *testing.T) {
				before := d.AppendStats()
				cut := p.cutAfter(dir, at)
				a := l.add(t, d)
				<-cut
				if dir == toClient && at == total {
					newLine().add(t, d) // the whole answer had passed: the next append meets the broken connection
				}
				require.Greater(t, d.AppendStats().Reconnect, before.Reconnect)
				got, err := d.Load(t.Context(), l.ref, a.Record.Seq-1, 0)
				require.NoError(t, err)
				require.Equal(t, []trail.Record{a.Record}, got)
				newLine().add(t, d) // prepared again for the next cut
			})
		}
	}
	require.NotZero(t, d.AppendStats().Resent)
}

// TestTerminated ends the server's process while it works on an append.
func TestTerminated(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	p := newProxy(t, database)
	d := open(t, p.url, Options{})
	l := newLine()
	l.add(t, d)

	admin := superuser(t, database)
	tx, err := admin.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), `lock table entry in exclusive mode`)
	require.NoError(t, err)
	arrived, release := p.hold() // only to know that the statement was sent
	pid := d.appender.pid.Load()
	a := l.next("x")
	waiting := together(t, d, a)[0]
	<-arrived
	require.True(t, one[bool](t, superuser(t, database), `select pg_terminate_backend($1, 10000)`, pid))
	release()
	require.NoError(t, tx.Rollback(t.Context()))
	require.Equal(t, answer{outcome: live.Won}, <-waiting.done)
	require.NotEqual(t, pid, d.appender.pid.Load())
	require.Equal(t, 2, one[int](t, admin, `select count(*) from entry`))
}

// TestStillAtWork cuts the connection while the server works on the append, and lets it go on: the statement that was
// sent again meets the first one.
func TestStillAtWork(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	p := newProxy(t, database)
	d := open(t, p.url, Options{})
	l := newLine()
	l.add(t, d)
	admin := superuser(t, database)
	for range 5 {
		tx, err := admin.Begin(t.Context())
		require.NoError(t, err)
		_, err = tx.Exec(t.Context(), `lock table entry in exclusive mode`)
		require.NoError(t, err)
		p.count()
		a := l.next("x")
		arrived, release := p.hold()
		waiting := together(t, d, a)[0]
		<-arrived
		p.refuse(true)
		p.refuse(false)
		release()
		require.NoError(t, tx.Rollback(t.Context()))
		require.Equal(t, answer{outcome: live.Won}, <-waiting.done)
		l.won(a)
	}
	require.Equal(t, 6, one[int](t, admin, `select count(*) from entry`))
	require.Zero(t, d.AppendStats().Lost)
}

// TestLostInTheDark: the outcome was unknown and someone else got the number.
func TestLostInTheDark(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	p := newProxy(t, database)
	d, other := open(t, p.url, Options{}), open(t, database, Options{})
	l := newLine()
	l.add(t, d)
	p.refuse(true)
	mine, theirs := l.next("mine"), l.next("theirs")
	waiting := together(t, d, mine)[0]
	want(t, other, theirs, live.Won)
	p.refuse(false)
	require.Equal(t, answer{outcome: live.Lost}, <-waiting.done)
}

// TestReadersSurviveRestart: every pooled connection is broken, and nobody who only reads notices.
func TestReadersSurviveRestart(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	d := open(t, database, Options{})
	l := newLine()
	a := l.next("x")
	a.NewKey = &trail.WrappedKey{ID: stream.NewID(), Box: []byte("a box")}
	want(t, d, a, live.Won)
	require.NoError(t, d.PutAccount(t.Context(), Account{Member: stream.NewID(), Org: l.org, Login: "someone"}))
	admin := superuser(t, database)
	for name, read := range map[string]func() error{
		"Load":           func() error { _, err := d.Load(t.Context(), l.ref, 0, 0); return err },
		"Key":            func() error { _, err := d.Key(t.Context(), a.NewKey.ID); return err },
		"NewestKey":      func() error { _, err := d.NewestKey(t.Context()); return err },
		"Now":            func() error { _, err := d.Now(t.Context()); return err },
		"Head":           func() error { _, err := d.Head(t.Context(), l.ref); return err },
		"Heads":          func() error { _, err := d.For(l.org).Heads(t.Context(), Filter{Org: &l.org}); return err },
		"Waiting":        func() error { _, err := d.For(l.org).Waiting(t.Context(), Turn{}, 1); return err },
		"LoadFor":        func() error { _, err := d.LoadFor(t.Context(), l.org, l.ref, 0, 0); return err },
		"Belonging":      func() error { _, err := d.Belonging(t.Context(), l.ref.ID, 1); return err },
		"Empty":          func() error { _, err := d.Empty(t.Context()); return err },
		"AccountByLogin": func() error { _, err := d.AccountByLogin(t.Context(), "someone"); return err },
		"Snapshot":       func() error { return d.Snapshot(t.Context(), func(Snapshot) error { return nil }) },
	} {
		require.NoError(t, read(), name)
		require.True(t, one[bool](t, admin, `select bool_and(pg_terminate_backend(pid, 10000)) from pg_stat_activity
			where datname = current_database() and pid <> pg_backend_pid()`), name)
		require.NoError(t, read(), name)
	}
}

// TestDatabaseAway: callers are told after a while, and once it is back the next append goes through.
func TestDatabaseAway(t *testing.T) {
	t.Parallel()
	p := newProxy(t, pgtest.Database(t))
	d := open(t, p.url, Options{Patience: 50 * time.Millisecond})
	l := newLine()
	l.add(t, d)
	p.refuse(true)
	a := l.next("x")
	var wg sync.WaitGroup
	for _, a := range []live.Append{a, newLine().next("x"), newLine().next("x")} {
		wg.Go(func() {
			if _, err := d.Append(t.Context(), a); !fault.Is(err, fault.NoDatabase) {
				t.Errorf("no refusal but %v", err)
			}
		})
	}
	wg.Wait()
	_, err := d.Load(t.Context(), l.ref, 0, 0)
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	p.refuse(false)
	want(t, d, a, live.Won)
}
