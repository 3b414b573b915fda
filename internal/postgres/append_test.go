package postgres

import (
	"context"
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

func TestAppendAndLoad(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	l := newLine()
	job, desk := stream.NewID(), stream.NewID()
	queued := began.Add(-time.Minute)

	first := l.next("first")
	first.NewKey = &trail.WrappedKey{ID: stream.NewID(), Box: []byte("a box")}
	first.Summary.Job, first.Summary.Desk, first.Summary.QueuedAt, first.Summary.DueAt = &job, &desk, &queued, &began
	want(t, d, first, live.Won)
	l.won(first)
	second := l.next("second")
	second.Summary.Job, second.Summary.Phase = &job, "running"
	want(t, d, second, live.Won)

	got, err := d.Load(t.Context(), l.ref, 0, 0)
	require.NoError(t, err)
	require.Equal(t, []trail.Record{first.Record, second.Record}, got)
	got, err = d.Load(t.Context(), l.ref, 1, 0)
	require.NoError(t, err)
	require.Equal(t, []trail.Record{second.Record}, got)
	got, err = d.Load(t.Context(), l.ref, 2, 0)
	require.NoError(t, err)
	require.Empty(t, got)
	got, err = d.Load(t.Context(), stream.Ref{Kind: stream.Job, ID: l.ref.ID}, 0, 0)
	require.NoError(t, err)
	require.Empty(t, got, "another kind of stream than was asked for")

	head, err := d.Head(t.Context(), l.ref)
	require.NoError(t, err)
	require.JSONEq(t, `{"note":"second"}`, string(head.Summary))
	head.Summary = nil
	require.Equal(t, Head{Stream: l.ref, Org: l.org, Job: &job, Phase: "running", Seq: 2, Hash: second.Record.Hash,
		ChangedAt: second.Record.At}, head)

	key, err := d.Key(t.Context(), first.NewKey.ID)
	require.NoError(t, err)
	require.Equal(t, *first.NewKey, key)
	_, err = d.Key(t.Context(), stream.NewID())
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
	_, err = d.Head(t.Context(), stream.Ref{Kind: stream.Job, ID: l.ref.ID})
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)

	now, err := d.Now(t.Context())
	require.NoError(t, err)
	require.WithinDuration(t, time.Now(), now, time.Minute) // one machine, one clock; a minute for a slow test
}

func TestOneEntryPerNumber(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, other := open(t, url, Options{}), open(t, url, Options{})
	l := newLine()
	l.add(t, d)

	mine, theirs := l.next("mine"), l.next("theirs")
	theirs.NewKey = &trail.WrappedKey{ID: stream.NewID(), Box: []byte("a box")}
	specialist := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	theirs.Runs = &specialist
	want(t, d, mine, live.Won)
	want(t, other, theirs, live.Lost)
	want(t, other, theirs, live.Lost)
	want(t, d, mine, live.Won) // the same bytes again
	want(t, other, mine, live.Won)

	_, err := other.Key(t.Context(), theirs.NewKey.ID)
	require.True(t, fault.Is(err, fault.NotHere), "nothing of a lost entry is written: %v", err)
	require.Zero(t, one[int](t, superuser(t, url), `select count(*) from running`))
	head, err := d.Head(t.Context(), l.ref)
	require.NoError(t, err)
	require.Equal(t, mine.Record.Hash, head.Hash)
	require.EqualValues(t, 2, other.AppendStats().Lost)
}

func TestOneEntryPerCommand(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	l := newLine()
	first := l.add(t, d)
	again := l.next("again")
	again.Record.CommandID = first.Record.CommandID
	want(t, d, again, live.Lost)

	elsewhere := newLine().next("another stream may use the id")
	elsewhere.Record.CommandID = first.Record.CommandID
	want(t, d, elsewhere, live.Won)
}

// TestHeadNeverGoesBack: an entry that was sent again after a later one was made must not put the list back.
func TestHeadNeverGoesBack(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	l := newLine()
	l.seq = 1 // a hole below, as no correct caller leaves one
	late := l.add(t, d)
	l.seq = 0
	want(t, d, l.next("early"), live.Won)
	head, err := d.Head(t.Context(), l.ref)
	require.NoError(t, err)
	require.Equal(t, late.Record.Hash, head.Hash)
}

// TestManyAtOnce: two nodes, each stream raced for; every number has one winner and every stream one chain.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	nodes := []*DB{open(t, url, Options{}), open(t, url, Options{})}
	const streams, length = 60, 20
	var wg sync.WaitGroup
	for range streams {
		base := newLine()
		for _, d := range nodes {
			wg.Go(func() {
				l := *base
				for l.seq < length {
					a := l.next(time.Now().String())
					got, err := d.Append(t.Context(), a)
					if err != nil {
						t.Error(err)
						return
					}
					if got == live.Won {
						l.won(a)
						continue
					}
					rest, err := d.Load(t.Context(), l.ref, l.seq, 0)
					if err != nil || len(rest) == 0 {
						t.Errorf("lost to nobody: %v", err)
						return
					}
					l.seq, l.head = rest[len(rest)-1].Seq, rest[len(rest)-1].Hash
				}
			})
		}
	}
	wg.Wait()

	checked := map[stream.ID]*line{}
	require.NoError(t, nodes[0].Snapshot(t.Context(), func(s Snapshot) error {
		for r, err := range s.AllRecords(t.Context(), stream.Calibration) {
			require.NoError(t, err)
			l := checked[r.Stream]
			if l == nil {
				l = &line{}
				checked[r.Stream] = l
			}
			require.NoError(t, trail.Follows(l.seq, l.head, r))
			l.seq, l.head = r.Seq, r.Hash
		}
		for h, err := range s.AllHeads(t.Context()) {
			require.NoError(t, err)
			require.Equal(t, checked[h.Stream.ID].head, h.Hash)
			require.GreaterOrEqual(t, h.Seq, uint64(length))
		}
		return nil
	}))
	require.Len(t, checked, streams)
	first, second := nodes[0].AppendStats(), nodes[1].AppendStats() // either may starve the other
	require.EqualValues(t, streams*length, first.Entries+second.Entries)
	require.Less(t, first.Batches+second.Batches, uint64(streams*length), "entries share statements")
}

// TestPoisonedRow: in one batch, the guilty row alone fails.
func TestPoisonedRow(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	poisons := map[string]func(a *live.Append){
		"no type":            func(a *live.Append) { a.Record.Type = "" },
		"zero byte in text":  func(a *live.Append) { a.Summary.Phase = "a\x00b" },
		"zero byte in jsonb": func(a *live.Append) { a.Summary.Data = "a\x00b" },
		"not UTF-8":          func(a *live.Append) { a.Record.Type = "\xff" },
		"too large":          func(a *live.Append) { a.Record.Body = make([]byte, trail.MaxBody+1) },
		"number 0":           func(a *live.Append) { a.Record.Seq = 0 },
		"unknown kind":       func(a *live.Append) { a.Record.Kind = "other" },
	}
	var batch []live.Append
	var names []string // "" for a good one
	for name, poison := range poisons {
		bad := newLine().next("bad")
		poison(&bad)
		for range 7 {
			batch, names = append(batch, newLine().next("good")), append(names, "")
		}
		batch, names = append(batch, bad), append(names, name)
	}
	for i, p := range together(t, d, batch...) {
		got := <-p.done
		if names[i] == "" {
			require.Equal(t, answer{outcome: live.Won}, got)
			continue
		}
		require.Error(t, got.err, names[i])
		require.Equal(t, fault.Internal, fault.Of(got.err).Kind(), "%s: %v", names[i], got.err)
	}
	require.Equal(t, 7*len(poisons), one[int](t, superuser(t, url), `select count(*) from entry`))
	require.NotZero(t, d.AppendStats().Split)

	a := newLine().next("not JSON")
	a.Summary.Data = func() {}
	_, err := d.Append(t.Context(), a)
	require.ErrorContains(t, err, "encode the summary")
}

// TestBatches: what waits together is committed together, within the cap, one entry of a stream at a time and the start
// of a leg by itself.
func TestBatches(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{BatchEntries: 10})
	l := newLine()
	var batch []live.Append
	for range 3 {
		a := l.next("x")
		l.won(a)
		batch = append(batch, a)
	}
	for range 20 {
		batch = append(batch, newLine().next("x"))
	}
	specialist := stream.Person{Org: stream.NewID(), Member: stream.NewID()}
	batch[12].Runs = &specialist
	for _, p := range together(t, d, batch...) {
		require.Equal(t, answer{outcome: live.Won}, <-p.done)
	}
	// 10 of the first 12 other streams (the line's second and third wait); the line's second and the other two; the
	// line's third is the same stream again, and what stands before the start of the leg goes first; the start; the rest.
	s := d.AppendStats()
	require.EqualValues(t, len(batch), s.Entries)
	require.EqualValues(t, 10, s.Largest)
}

// TestCallerGone: an entry that was sent is committed although its caller gave up; one that was not sent is not.
func TestCallerGone(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	p := newProxy(t, url)
	d := open(t, p.url, Options{})
	newLine().add(t, d)

	ctx, cancel := context.WithCancel(t.Context())
	arrived, release := p.hold()
	sent := newLine().next("sent")
	done := make(chan error, 1)
	go func() {
		_, err := d.Append(ctx, sent)
		done <- err
	}()
	<-arrived
	queued := newLine().next("queued")
	waiting := together(t, d, queued)[0]
	cancel()
	require.ErrorIs(t, <-done, context.Canceled)
	waiting.abandoned.Store(true) // as Append does
	release()

	newLine().add(t, d) // behind both
	got, err := d.Load(t.Context(), sent.Record.Ref(), 0, 0)
	require.NoError(t, err)
	require.Equal(t, []trail.Record{sent.Record}, got)
	got, err = d.Load(t.Context(), queued.Record.Ref(), 0, 0)
	require.NoError(t, err)
	require.Empty(t, got)

	_, err = d.Append(ctx, newLine().next("never queued"))
	require.ErrorIs(t, err, context.Canceled)
}

func TestCloseDrains(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, err := Open(t.Context(), url, Options{BatchEntries: 10})
	require.NoError(t, err)
	batch := make([]live.Append, 100)
	for i := range batch {
		batch[i] = newLine().next("x")
	}
	waiting := together(t, d, batch...)
	require.NoError(t, d.Close(t.Context()))
	for _, p := range waiting {
		require.Equal(t, answer{outcome: live.Won}, <-p.done)
	}
	_, err = d.Append(t.Context(), newLine().next("too late"))
	require.True(t, fault.Is(err, fault.NotReady), "%v", err)
	require.Equal(t, 100, one[int](t, superuser(t, url), `select count(*) from entry`))
}

// TestCloseGivesUp: when the database does not answer, Close comes back all the same and so does every caller.
func TestCloseGivesUp(t *testing.T) {
	t.Parallel()
	p := newProxy(t, pgtest.Database(t))
	d, err := Open(t.Context(), p.url, Options{})
	require.NoError(t, err)
	newLine().add(t, d)
	arrived, release := p.hold()
	defer release()
	sent := together(t, d, newLine().next("sent"))[0]
	<-arrived
	queued := together(t, d, newLine().next("queued"))[0]
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.ErrorIs(t, d.Close(ctx), context.Canceled)
	for _, p := range []*pending{sent, queued} {
		got := <-p.done
		require.True(t, fault.Is(got.err, fault.NotReady), "%v", got.err)
	}
}

// together hands appends to the appender at one moment.
func together(t testing.TB, d *DB, batch ...live.Append) []*pending {
	t.Helper()
	var all []*pending
	for _, a := range batch {
		p, err := newPending(a)
		require.NoError(t, err)
		all = append(all, p)
	}
	q := d.appender.queue
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append(q.waiting, all...)
	q.filled.Signal()
	return all
}
