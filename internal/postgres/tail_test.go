package postgres

import (
	"context"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/notify"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

func follow(t testing.TB, d *DB) *Tail {
	t.Helper()
	tail := d.Follow(listen(t, d))
	t.Cleanup(tail.Close)
	return tail
}

// complete checks that the numbers are without gaps, each entry of the database has one, and each stream's are in its
// own order.
func complete(t testing.TB, d *DB, entries int) []notify.Leaf {
	t.Helper()
	leaves, err := d.Leaves(t.Context(), 0, entries+1)
	require.NoError(t, err)
	require.Len(t, leaves, entries)
	last := map[stream.Ref]uint64{}
	for i, l := range leaves {
		require.Equal(t, uint64(i), l.Index)
		require.Equal(t, last[l.Entry]+1, l.Seq)
		last[l.Entry] = l.Seq
	}
	return leaves
}

// numberAll numbers until nothing is left. Transactions of other tests' databases count as running, so it may take a
// while.
func numberAll(t testing.TB, d *DB, most int) {
	t.Helper()
	for {
		taken, left, err := d.number(t.Context(), most)
		require.NoError(t, err)
		if taken == 0 && !left {
			return
		}
	}
}

func TestNumberingWaitsForOpenTransactions(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	admin := superuser(t, url)
	before := newLine()
	before.add(t, d)
	numberAll(t, d, 100)

	early, err := admin.Begin(t.Context())
	require.NoError(t, err)
	slow := newLine().next("x").Record
	insertSilently(t, early, slow)
	after := newLine()
	after.add(t, d)
	for range 20 {
		taken, left, err := d.number(t.Context(), 100)
		require.NoError(t, err)
		require.Zero(t, taken, "one before it may still come")
		require.True(t, left)
	}
	require.NoError(t, early.Commit(t.Context()))
	numberAll(t, d, 100)
	leaves := complete(t, d, 3)
	require.Equal(t, []stream.ID{before.ref.ID, slow.Stream, after.ref.ID},
		[]stream.ID{leaves[0].Entry.ID, leaves[1].Entry.ID, leaves[2].Entry.ID})
}

// TestNumberingOneByOne: the cursor stops and goes on in the middle of one transaction.
func TestNumberingOneByOne(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	var batch []live.Append
	for range 25 {
		batch = append(batch, newLine().next("x"))
	}
	for _, p := range together(t, d, batch...) {
		require.Equal(t, answer{outcome: live.Won}, <-p.done)
	}
	numberAll(t, d, 1)
	complete(t, d, 25)
	some, err := d.Leaves(t.Context(), 7, 3)
	require.NoError(t, err)
	require.Equal(t, []uint64{7, 8, 9}, []uint64{some[0].Index, some[1].Index, some[2].Index})
}

// TestNumberingMissesNothing: entries of many transactions that stay open and commit in another order than they began,
// or roll back, beside two nodes that append, while two other nodes number in small batches and the processes that number
// for them are ended again and again. Every entry that was committed has one number in the end.
func TestNumberingMissesNothing(t *testing.T) {
	t.Parallel()
	const seed, writers, rounds, appends = 5, 6, 40, 150
	url := pgtest.Database(t)
	nodes := [2]*DB{open(t, url, Options{}), open(t, url, Options{})}
	sequencers := [2]*DB{open(t, url, Options{}), open(t, url, Options{})}

	numbering, done := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	var broken [2]int
	for i, d := range sequencers {
		wg.Go(func() {
			for numbering.Err() == nil {
				if _, _, err := d.number(t.Context(), 7); err != nil { // its process was ended twice
					broken[i]++
				}
			}
		})
	}
	admin := superuser(t, url)
	ended := 0
	wg.Go(func() {
		for numbering.Err() == nil { // one of the two, whatever it is doing
			got, err := admin.Exec(t.Context(), `
				select pg_terminate_backend(pid, 1000) from pg_stat_activity
				where datname = current_database() and query like '%cursor as materialized%' and pid <> pg_backend_pid()
				order by random() limit 1`)
			if err != nil {
				t.Error(err)
				return
			}
			ended += int(got.RowsAffected())
		}
	})

	var written sync.WaitGroup
	var mu sync.Mutex
	var committed int
	for w := range writers {
		conn := superuser(t, url)
		written.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(w)))
			for range rounds {
				n, err := openTransaction(t.Context(), conn, random)
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				committed += n
				mu.Unlock()
			}
		})
	}
	for _, d := range nodes {
		written.Go(func() {
			l := newLine()
			for range appends {
				a := l.next("x")
				if got, err := d.Append(t.Context(), a); err != nil || got != live.Won {
					t.Errorf("%v, %v", got, err)
					return
				}
				l.won(a)
			}
		})
	}
	written.Wait()
	done()
	wg.Wait()
	require.False(t, t.Failed())
	numberAll(t, sequencers[0], 5000)
	complete(t, nodes[0], committed+len(nodes)*appends)
	require.NotZero(t, ended)
	t.Logf("%d entries in transactions, %d appended, %d processes ended, numbering broken off %v times", committed, len(nodes)*appends, ended, broken)
}

// openTransaction writes a few streams' first entries and, in the same transaction or not at all, commits them after a
// while that other transactions outlast or not.
func openTransaction(ctx context.Context, conn *pgx.Conn, random *rand.Rand) (committed int, err error) {
	tx, err := conn.Begin(ctx)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback(ctx)
	n := 1 + random.IntN(4)
	for range n {
		r := newLine().next("x").Record
		if _, err := tx.Exec(ctx, `
			insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
			values ($1, 1, 'calibration', 'x', 1, now(), $1, $1, $2, $3, $4)`,
			given(r.Stream), r.Body, r.Prev[:], r.Hash[:]); err != nil {
			return 0, err
		}
		if _, err := tx.Exec(ctx, `select pg_sleep($1)`, 0.004*random.Float64()); err != nil {
			return 0, err
		}
	}
	if random.IntN(5) == 0 {
		return 0, nil
	}
	return n, tx.Commit(ctx)
}

// TestNumberingKilledInTheMiddle: a process that has given numbers and not committed them holds the others off; once it
// is gone they give the same numbers, to all entries.
func TestNumberingKilledInTheMiddle(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	l := newLine()
	for range 5 {
		l.add(t, d)
	}
	victim := superuser(t, url)
	tx, err := victim.Begin(t.Context())
	require.NoError(t, err)
	for taken := 0; taken < 3; { // as soon as it may
		var n int
		require.NoError(t, tx.QueryRow(t.Context(), sqlNumber, 3-taken).Scan(&n))
		taken += n
	}
	taken, left, err := d.number(t.Context(), 100)
	require.NoError(t, err)
	require.Zero(t, taken)
	require.True(t, left)
	require.True(t, one[bool](t, superuser(t, url), `select pg_terminate_backend($1, 10000)`, victim.PgConn().PID()))
	numberAll(t, d, 100)
	complete(t, d, 5)
}

// TestRestoredElsewhere: a dump brings the transaction numbers of the server it was made on. A server that has not come
// that far yet refuses to be used until the statements of docs/operations.md were run; then what had numbers keeps them, and
// what had none, and what comes, gets them.
func TestRestoredElsewhere(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	admin := superuser(t, url)
	func() {
		d, err := Open(t.Context(), url, Options{})
		require.NoError(t, err)
		defer func() { require.NoError(t, d.Close(t.Context())) }()
		l := newLine()
		for range 3 {
			l.add(t, d)
		}
		numberAll(t, d, 100)
		l.add(t, d)
	}()
	_, err := admin.Exec(t.Context(), `
		alter table entry disable trigger entry_append_only;
		update entry set tx = (tx::text::numeric + 1000000000)::text::xid8;
		update leaf_cursor set tx = (tx::text::numeric + 1000000000)::text::xid8;
		alter table entry enable always trigger entry_append_only`)
	require.NoError(t, err)
	_, err = Open(t.Context(), url, Options{})
	require.True(t, fault.Is(err, fault.WrongServer), "%v", err)
	require.Contains(t, fault.Of(err).Detail, "docs/operations.md")

	text, err := os.ReadFile("../../docs/operations.md")
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(text), "```sql\n-- after a restore\n")
	require.True(t, ok)
	statements, _, _ := strings.Cut(after, "```")
	_, err = superuser(t, url).Exec(t.Context(), statements)
	require.NoError(t, err)
	d := open(t, url, Options{})
	newLine().add(t, d)
	numberAll(t, d, 100)
	complete(t, d, 5)
	_, err = admin.Exec(t.Context(), `update entry set seq = seq`)
	require.Equal(t, "RB001", state(err), "the guard stands again")
}

// TestTailIsWoken: without its slow look the Tail hears of entries of this node and of others, and of those that settle
// only later, when a transaction that tells nobody ends.
func TestTailIsWoken(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, other := open(t, url, Options{PollEvery: never}), open(t, url, Options{PollEvery: never})
	tail := follow(t, d)
	wait := func(entries int) {
		t.Helper()
		for {
			select {
			case <-tail.News():
			case <-time.After(30 * time.Second): // far more than it can take, so that a failure has a name
				t.Fatal("not woken")
			}
			if leaves, err := d.Leaves(t.Context(), 0, 100); err != nil || len(leaves) == entries {
				require.NoError(t, err)
				return
			}
		}
	}
	newLine().add(t, d)
	wait(1)
	newLine().add(t, other)
	wait(2)

	admin := superuser(t, url)
	tx, err := admin.Begin(t.Context())
	require.NoError(t, err)
	one[string](t, admin, `select pg_current_xact_id()::text`)
	newLine().add(t, d)
	_, left, err := other.number(t.Context(), 100)
	require.NoError(t, err)
	require.True(t, left)
	require.NoError(t, tx.Rollback(t.Context()))
	wait(3)
}

// TestTailsSideBySide: two nodes number at once; when one stops, the other goes on.
func TestTailsSideBySide(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, other := open(t, url, Options{PollEvery: 10 * time.Millisecond}), open(t, url, Options{PollEvery: 10 * time.Millisecond})
	first := d.Follow(listen(t, d))
	second := follow(t, other)
	l := newLine()
	for range 100 {
		l.add(t, d)
	}
	first.Close()
	for range 100 {
		l.add(t, d)
	}
	for {
		leaves, err := d.Leaves(t.Context(), 0, 1000)
		require.NoError(t, err)
		if len(leaves) == 200 {
			break
		}
		select {
		case <-second.News():
		case <-time.After(30 * time.Second):
			t.Fatal("not woken")
		}
	}
	complete(t, d, 200)
}

// BenchmarkTailDelay measures, with eight streams that are each written one entry after the other, how long after its
// append was answered a follower has read an entry's number. An operation is one entry.
func BenchmarkTailDelay(b *testing.B) {
	d := open(b, pgtest.Database(b), Options{})
	tail := follow(b, d)
	const lines = 8
	type key struct {
		ref stream.Ref
		seq uint64
	}
	var mu sync.Mutex
	answered, numbered := map[key]time.Time{}, map[key]time.Time{}
	length := (b.N + lines - 1) / lines
	var wg sync.WaitGroup
	b.ResetTimer()
	for range lines {
		wg.Go(func() {
			l := newLine()
			for range length {
				l.won(l.add(b, d))
				mu.Lock()
				answered[key{l.ref, l.seq}] = time.Now()
				mu.Unlock()
			}
		})
	}
	for next := uint64(0); next < uint64(lines*length); {
		<-tail.News()
		leaves, err := d.Leaves(b.Context(), next, 1000)
		require.NoError(b, err)
		now := time.Now()
		for _, l := range leaves {
			numbered[key{l.Entry, l.Seq}] = now
			next = l.Index + 1
		}
	}
	wg.Wait()
	b.StopTimer()
	var delays []time.Duration
	for k, at := range numbered {
		delays = append(delays, max(0, at.Sub(answered[k])))
	}
	slices.Sort(delays)
	for name, at := range map[string]int{"p50-ms": len(delays) / 2, "p99-ms": len(delays) * 99 / 100, "max-ms": len(delays) - 1} {
		b.ReportMetric(float64(delays[at].Microseconds())/1000, name)
	}
}
