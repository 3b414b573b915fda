package postgres

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

// TestSearch: by what a job's car is found by, by who answers for it, by when it was opened and how it ended; whoever may not
// see it finds nothing; and a key that is destroyed takes what its job was found by along.
func TestSearch(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	shop, otherShop, desk, signer := stream.NewID(), stream.NewID(), stream.NewID(), stream.NewID()
	plate, vin, corrected := trail.Clue{1}, trail.Clue{2}, trail.Clue{3}
	at := func(day int) time.Time { return time.Date(2026, 11, day, 9, 0, 0, 0, time.UTC) }
	var keys []stream.ID
	visit := func(of stream.ID, day int, clues ...trail.Clue) (cal stream.ID) {
		job := newLine()
		job.ref.Kind, job.org = stream.Job, of
		key := trail.WrappedKey{ID: stream.NewID(), Box: make([]byte, 60)}
		keys = append(keys, key.ID)
		opened := job.next("opened")
		opened.NewKey, opened.Sealed, opened.Clues = &key, key.ID, clues
		want(t, d, opened, live.Won)
		job.won(opened)
		more := job.next("described")
		more.Sealed, more.Clues = key.ID, append(clues, corrected) // some it has already
		want(t, d, more, live.Won)

		l := newLine()
		l.org, l.ref.ID = of, stream.FirstID(at(day))
		l.ref.ID[15] = byte(len(keys)) // not the same as another of that day
		for _, typ := range []string{"noted", "signed"} {
			a := l.next(typ)
			a.Record.Type, a.Summary.Job, a.Summary.Desk = typ, &job.ref.ID, &desk
			a.Summary.Data = map[string]string{"sensor": "front-radar", "outcome": "completed"}
			if typ == "signed" {
				a.Record.Actor = signer
			}
			want(t, d, a, live.Won)
			l.won(a)
		}
		return l.ref.ID
	}
	first, second, foreign := visit(shop, 3, plate, vin), visit(shop, 5, plate), visit(otherShop, 4, plate, vin)

	found := func(asking stream.ID, f Filter) []stream.ID {
		t.Helper()
		f.Kind = stream.Calibration
		if f.Desk == nil {
			f.Org = &asking
		}
		got, err := d.For(asking).Heads(t.Context(), f)
		require.NoError(t, err)
		return streams(got)
	}
	none, nobody := []stream.ID{}, stream.NewID()
	for _, c := range []struct {
		asking stream.ID
		f      Filter
		want   []stream.ID
	}{
		{shop, Filter{Clues: []trail.Clue{plate}}, []stream.ID{second, first}},
		{shop, Filter{Clues: []trail.Clue{plate, vin}}, []stream.ID{first}},
		{shop, Filter{Clues: []trail.Clue{corrected}, Before: &second}, []stream.ID{first}},
		{shop, Filter{Clues: []trail.Clue{{9}}}, none},
		{otherShop, Filter{Clues: []trail.Clue{plate}}, []stream.ID{foreign}},
		{desk, Filter{Desk: &desk, Clues: []trail.Clue{vin}}, []stream.ID{foreign, first}},
		{nobody, Filter{Clues: []trail.Clue{plate}}, none},
		{shop, Filter{Since: at(4)}, []stream.ID{second}},
		{shop, Filter{Since: at(3), Until: at(5)}, []stream.ID{first}},
		{shop, Filter{Until: at(3)}, none},
		{shop, Filter{Sensor: "front-radar", Outcome: "completed"}, []stream.ID{second, first}},
		{shop, Filter{Sensor: "front-camera"}, none},
		{shop, Filter{Outcome: "withdrawn"}, none},
		{shop, Filter{Answered: &signer}, []stream.ID{second, first}},
		{shop, Filter{Answered: &nobody}, none},
	} {
		require.Equal(t, c.want, found(c.asking, c.f), "%+v", c.f)
	}

	admin := superuser(t, url)
	_, err := admin.Exec(t.Context(), `delete from stream_key where id = $1`, given(keys[0]))
	require.NoError(t, err)
	require.Equal(t, []stream.ID{second}, found(shop, Filter{Clues: []trail.Clue{plate}}))
	require.Equal(t, 5, one[int](t, admin, `select count(*) from clue`), "of the two that are left: 2 and 3")
	late := newLine()
	a := late.next("late")
	a.Sealed, a.Clues = keys[0], []trail.Clue{plate}
	want(t, d, a, live.Won)
	require.Equal(t, 5, one[int](t, admin, `select count(*) from clue`), "none is kept under a key that is gone")
}
