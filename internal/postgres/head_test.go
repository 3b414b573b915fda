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
		filter Filter
		want   []stream.ID
	}{
		{Filter{Org: &shop}, []stream.ID{third, second, first}},
		{Filter{Org: &shop, Limit: 2}, []stream.ID{third, second}},
		{Filter{Org: &shop, Before: &second}, []stream.ID{first}},
		{Filter{Org: &shop, Kind: stream.Job}, []stream.ID{third}},
		{Filter{Org: &shop, Phase: "guided"}, []stream.ID{second, first}},
		{Filter{Org: &shop, Kind: stream.Calibration, Phase: "open"}, []stream.ID{}},
		{Filter{Desk: &desk}, []stream.ID{fourth, second}},
		{Filter{Desk: &desk, Phase: "closed"}, []stream.ID{fourth}},
		{Filter{Org: &otherShop, Desk: &desk}, []stream.ID{fourth}},
		{Filter{Job: &job}, []stream.ID{second, first}},
		{Filter{Org: &job}, []stream.ID{}},
	} {
		got, err := d.Heads(t.Context(), c.filter)
		require.NoError(t, err)
		require.Equal(t, c.want, streams(got), "%+v", c.filter)
	}
	_, err := d.Heads(t.Context(), Filter{Kind: stream.Job})
	require.ErrorContains(t, err, "of nobody")
}

func TestWaiting(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	shops := []stream.ID{stream.NewID(), stream.NewID(), stream.NewID()}
	var order []stream.ID
	lines := map[stream.ID]*line{}
	for i := range 9 {
		l := newLine()
		l.org = shops[i%3]
		a := l.next("x")
		at := began.Add(time.Duration(i/2) * time.Second) // two at a time: the id decides
		a.Summary.QueuedAt, a.Summary.Phase = &at, "waiting"
		want(t, d, a, live.Won)
		l.won(a)
		lines[l.ref.ID] = l
		if i%3 != 2 {
			order = append(order, l.ref.ID)
		}
	}
	agreed := shops[:2]
	got, err := d.Waiting(t.Context(), agreed, Turn{}, 0)
	require.NoError(t, err)
	require.Equal(t, order, streams(got))

	var paged []stream.ID
	for after := (Turn{}); ; {
		page, err := d.Waiting(t.Context(), agreed, after, 2)
		require.NoError(t, err)
		paged = append(paged, streams(page)...)
		if len(page) < 2 {
			break
		}
		after = Turn{*page[1].QueuedAt, page[1].Stream.ID}
	}
	require.Equal(t, order, paged)

	claimed := lines[order[0]]
	want(t, d, claimed.next("no longer waits"), live.Won)
	got, err = d.Waiting(t.Context(), agreed, Turn{}, 1)
	require.NoError(t, err)
	require.Equal(t, order[1:2], streams(got))
	got, err = d.Waiting(t.Context(), nil, Turn{}, 1)
	require.NoError(t, err)
	require.Empty(t, got)
}

func TestShopsOf(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	empty, err := d.Empty(t.Context())
	require.NoError(t, err)
	require.True(t, empty)

	desk, otherDesk := stream.NewID(), stream.NewID()
	put := func(kind stream.Kind, agreements ...stream.ID) *line {
		l := newLine()
		l.ref.Kind = kind
		a := l.next("x")
		a.Summary.Data = map[string]any{"agreements": agreements}
		want(t, d, a, live.Won)
		l.won(a)
		return l
	}
	first := put(stream.Register, otherDesk, desk)
	put(stream.Register, otherDesk)
	put(stream.Register)
	put(stream.Job, desk)
	second := put(stream.Register, desk)
	got, err := d.ShopsOf(t.Context(), desk)
	require.NoError(t, err)
	require.Equal(t, []stream.ID{first.ref.ID, second.ref.ID}, got)

	first.add(t, d) // its summary lists none any more
	got, err = d.ShopsOf(t.Context(), desk)
	require.NoError(t, err)
	require.Equal(t, []stream.ID{second.ref.ID}, got)
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

// TestListsUseTheirIndexes: with many streams of many organisations, no list reads them all. The planner's choice is
// asked for, not its time.
func TestListsUseTheirIndexes(t *testing.T) {
	t.Parallel()
	admin := superuser(t, pgtest.Database(t))
	_, err := admin.Exec(t.Context(), `
		insert into head (stream, kind, org, job, desk, phase, queued_at, seq, hash, summary, changed_at)
		select gen_random_uuid(), 'calibration', md5((i % 200)::text)::uuid, md5(i::text)::uuid, md5((i % 50)::text)::uuid,
			case when i % 100 = 0 then 'waiting' else 'closed' end, case when i % 100 = 0 then now() end,
			1, decode(repeat('00', 32), 'hex'), '{}', now()
		from generate_series(1, 20000) as i;
		analyze head`)
	require.NoError(t, err)
	const org = `'cfcd2084-95d5-65ef-66e7-dff9f98764da'` // md5 of 0
	for sql, index := range map[string]string{
		`select from head where org = ` + org + ` and kind = 'calibration' and phase = 'waiting' order by stream desc limit 50`: "head_by_org",
		`select from head where desk = ` + org + ` and phase = 'waiting' order by stream desc limit 50`:                         "head_by_desk",
		`select from head where job = ` + org + ` order by stream desc limit 50`:                                                "head_by_job",
		`select from head where org = ` + org + ` and queued_at is not null and (queued_at, stream) > ('-infinity', ` + org +
			`) order by queued_at, stream limit 50`: "head_waiting",
	} {
		require.Contains(t, one[string](t, admin, `explain (format json) `+sql), `"`+index+`"`, sql)
	}
}
