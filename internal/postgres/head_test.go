package postgres

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

func streams(heads []Head) []stream.ID {
	ids := []stream.ID{}
	for _, h := range heads {
		ids = append(ids, h.Stream.ID)
	}
	return ids
}

func TestLists(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	shop, otherShop, desk, job := stream.NewID(), stream.NewID(), stream.NewID(), stream.NewID()
	put := func(change func(a *live.Append)) stream.ID {
		a := newLine().next("x")
		a.Summary.Org = shop
		change(&a)
		want(t, d, a, live.Won)
		return a.Record.Stream
	}
	// UUIDv7 made one after the other: the later is the greater (RFC 9562, 6.2, as package uuid makes them)
	first := put(func(a *live.Append) { a.Summary.Job = &job })
	second := put(func(a *live.Append) { a.Summary.Job, a.Summary.Desk = &job, &desk })
	third := put(func(a *live.Append) { a.Record.Kind, a.Summary.Phase = stream.Job, "open" })
	fourth := put(func(a *live.Append) { a.Summary.Org, a.Summary.Desk, a.Summary.Phase = otherShop, &desk, "closed" })

	for _, c := range []struct {
		asking stream.ID
		filter Filter
		want   []stream.ID
	}{
		{shop, Filter{Org: &shop}, []stream.ID{third, second, first}},
		{shop, Filter{Org: &shop, Limit: 2}, []stream.ID{third, second}},
		{shop, Filter{Org: &shop, Before: &second}, []stream.ID{first}},
		{shop, Filter{Org: &shop, Kind: stream.Job}, []stream.ID{third}},
		{shop, Filter{Org: &shop, Phases: []string{"guided"}}, []stream.ID{second, first}},
		{shop, Filter{Org: &shop, Kind: stream.Calibration, Phases: []string{"open"}}, []stream.ID{}},
		{desk, Filter{Desk: &desk}, []stream.ID{fourth, second}},
		{desk, Filter{Desk: &desk, Phases: []string{"closed"}}, []stream.ID{fourth}},
		{desk, Filter{Org: &otherShop, Desk: &desk}, []stream.ID{fourth}},
		{shop, Filter{Job: &job}, []stream.ID{second, first}},
		{shop, Filter{Org: &job}, []stream.ID{}},
		// What the filter asks for and row-level security does not give.
		{otherShop, Filter{Org: &shop}, []stream.ID{}},
		{otherShop, Filter{Desk: &desk}, []stream.ID{fourth}},
		{desk, Filter{Org: &shop}, []stream.ID{second}},
		{desk, Filter{Job: &job}, []stream.ID{second}},
		{stream.ID{}, Filter{Org: &shop}, []stream.ID{}},
	} {
		got, err := d.For(c.asking).Heads(t.Context(), c.filter)
		require.NoError(t, err)
		require.Equal(t, c.want, streams(got), "%+v", c.filter)
	}
	_, err := d.For(shop).Heads(t.Context(), Filter{Kind: stream.Job})
	require.ErrorContains(t, err, "of nobody")

	refs, err := d.Belonging(t.Context(), job, 0)
	require.NoError(t, err)
	require.Equal(t, []stream.Ref{{Kind: stream.Calibration, ID: second}, {Kind: stream.Calibration, ID: first}}, refs)
	refs, err = d.Belonging(t.Context(), job, 1)
	require.NoError(t, err)
	require.Equal(t, []stream.Ref{{Kind: stream.Calibration, ID: second}}, refs)
}

func TestWaiting(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	shops := []stream.ID{stream.NewID(), stream.NewID(), stream.NewID()}
	desk := stream.NewID()
	registers := []*line{agree(t, d, shops[0], stream.NewID(), desk), agree(t, d, shops[1], desk), agree(t, d, shops[2], stream.NewID())}
	var order []stream.ID
	lines := map[stream.ID]*line{}
	for i := range 9 {
		l := newLine()
		l.org = shops[i%3]
		a := l.next("x")
		asked := began.Add(-time.Duration(i) * time.Second)
		due := began.Add(time.Duration(i/2) * time.Second) // two at a time: the id decides
		a.Summary.QueuedAt, a.Summary.DueAt, a.Summary.Phase = &asked, &due, "waiting"
		want(t, d, a, live.Won)
		l.won(a)
		lines[l.ref.ID] = l
		if i%3 != 2 {
			order = append(order, l.ref.ID)
		}
	}
	got, err := d.For(desk).Waiting(t.Context(), Turn{}, 0)
	require.NoError(t, err)
	require.Equal(t, order, streams(got))

	var paged []stream.ID
	for after := (Turn{}); ; {
		page, err := d.For(desk).Waiting(t.Context(), after, 2)
		require.NoError(t, err)
		paged = append(paged, streams(page)...)
		if len(page) < 2 {
			break
		}
		after = Turn{*page[1].DueAt, page[1].Stream.ID}
	}
	require.Equal(t, order, paged)

	// A withdrawn job takes its requests out of the queue, wherever the page begins; the rows themselves stay as they were.
	job := newLine()
	job.ref.Kind, job.org = stream.Job, shops[0]
	gone := lines[order[2]]
	again := gone.next("x")
	again.Summary.QueuedAt, again.Summary.DueAt, again.Summary.Phase, again.Summary.Job = &began, &began, "waiting", &job.ref.ID
	require.Equal(t, shops[0], gone.org)
	is := func(phase string) {
		a := job.next(phase)
		a.Summary.Phase = phase
		want(t, d, a, live.Won)
		job.won(a)
	}
	is("open")
	want(t, d, again, live.Won)
	gone.won(again)
	due := func() []stream.ID {
		all, err := d.For(desk).Waiting(t.Context(), Turn{}, 0)
		require.NoError(t, err)
		return streams(all)
	}
	require.Contains(t, due(), gone.ref.ID)
	is("withdrawn")
	require.NotContains(t, due(), gone.ref.ID)
	require.Len(t, due(), len(order)-1)
	order = due()

	claimed := lines[order[0]]
	want(t, d, claimed.next("no longer waits"), live.Won)
	got, err = d.For(desk).Waiting(t.Context(), Turn{}, 1)
	require.NoError(t, err)
	require.Equal(t, order[1:2], streams(got))
	for _, other := range []stream.ID{stream.NewID(), shops[0], {}} {
		got, err = d.For(other).Waiting(t.Context(), Turn{}, 1)
		require.NoError(t, err)
		require.Empty(t, got)
	}
	for _, r := range registers {
		r.add(t, d) // its summary lists no agreement any more
	}
	got, err = d.For(desk).Waiting(t.Context(), Turn{}, 1)
	require.NoError(t, err)
	require.Empty(t, got)
}

// agree makes a shop's register with agreements.
func agree(t *testing.T, d *DB, shop stream.ID, desks ...stream.ID) *line {
	t.Helper()
	l := newLine()
	l.ref, l.org = stream.Ref{Kind: stream.Register, ID: shop}, shop
	a := l.next("agreements")
	a.Summary.Phase, a.Summary.Data = "open", map[string]any{"agreements": desks}
	want(t, d, a, live.Won)
	l.won(a)
	return l
}

func TestEmpty(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	empty, err := d.Empty(t.Context())
	require.NoError(t, err)
	require.True(t, empty)
	newLine().add(t, d)
	empty, err = d.Empty(t.Context())
	require.NoError(t, err)
	require.False(t, empty)
}

// TestEntriesLeaveIndexesAlone: what every entry changes in the head row stands in no index, in no index's expression
// and in no index's condition. Else each update of each row would write to all of them (PostgreSQL documentation, 73.7
// Heap-Only Tuples).
func TestEntriesLeaveIndexesAlone(t *testing.T) {
	t.Parallel()
	require.Equal(t, "{}", one[string](t, superuser(t, pgtest.Database(t)), `
		select coalesce(array_agg(d.objid::regclass || ' on ' || a.attname), '{}')::text
		from pg_depend d
		join pg_index i on i.indexrelid = d.objid and i.indrelid = 'head'::regclass
		join pg_attribute a on a.attrelid = d.refobjid and a.attnum = d.refobjsubid
		where d.classid = 'pg_class'::regclass and d.refobjid = 'head'::regclass
			and a.attname in ('seq', 'hash', 'summary', 'changed_at')`))
}

// TestUrgentAmongMany: a held vehicle that was asked for last is the first of the page, behind however many wait.
func TestUrgentAmongMany(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	shop, desk := stream.NewID(), stream.NewID()
	agree(t, d, shop, desk)
	_, err := superuser(t, url).Exec(t.Context(), `
		insert into head (stream, kind, org, phase, queued_at, due_at, seq, hash, summary, changed_at)
		select gen_random_uuid(), 'calibration', $1::text::uuid, 'waiting', now() - interval '2 hours', now() - interval '90 minutes', 1,
			decode(repeat('00', 32), 'hex'), '{}', now() from generate_series(1, 600)`, shop.String())
	require.NoError(t, err)
	held := newLine()
	held.org = shop
	a := held.next("held")
	asked := time.Now()
	due := asked.Add(-24 * time.Hour)
	a.Summary.QueuedAt, a.Summary.DueAt, a.Summary.Phase = &asked, &due, "waiting"
	want(t, d, a, live.Won)
	got, err := d.For(desk).Waiting(t.Context(), Turn{}, 500)
	require.NoError(t, err)
	require.Len(t, got, 500)
	require.Equal(t, held.ref.ID, got[0].Stream.ID)
}
