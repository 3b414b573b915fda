package postgres

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/photo"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

// sealedBy is a photo of some bytes for the line, and the key it names made durable with the line's first entry.
func sealedBy(t testing.TB, d *DB, l *line, size int) (live.StoredPhoto, stream.ID) {
	t.Helper()
	key := trail.WrappedKey{ID: stream.NewID(), Box: []byte("wrapped")}
	a := l.next("first")
	a.NewKey = &key
	want(t, d, a, live.Won)
	l.won(a)
	return photoOf(l, key.ID, size), key.ID
}

func photoOf(l *line, key stream.ID, size int) live.StoredPhoto {
	sealed := bytes.Repeat([]byte{7}, size)
	return live.StoredPhoto{
		Named: photo.Named{ID: stream.NewID(), SHA256: sha256.Sum256(sealed), WidthPX: 2560, HeightPX: 1}, Of: l.ref.ID, Key: key, Sealed: sealed,
	}
}

func TestPhotoIsKeptUntilItsKeyIsDestroyed(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	l := newLine()
	p, key := sealedBy(t, d, l, 1<<20)
	require.NoError(t, d.AddPhoto(t.Context(), p))
	got, err := d.Photo(t.Context(), p.Of, p.ID)
	require.NoError(t, err)
	require.Equal(t, p, got)
	touched, err := d.TouchPhoto(t.Context(), p.Of, p.ID)
	require.NoError(t, err)
	require.Equal(t, p.Named, touched.Named)

	for name, at := range map[string][2]stream.ID{"another stream": {stream.NewID(), p.ID}, "another photo": {p.Of, stream.NewID()}} {
		_, err := d.Photo(t.Context(), at[0], at[1])
		require.True(t, fault.Is(err, fault.NotHere), name)
		_, err = d.TouchPhoto(t.Context(), at[0], at[1])
		require.True(t, fault.Is(err, fault.NotHere), name)
	}

	// As the writer's role destroys it: see "Erasing" in docs/operations.md.
	_, err = d.writer.Exec(t.Context(), `delete from stream_key where id = $1`, given(key))
	require.NoError(t, err)
	require.Zero(t, one[int](t, superuser(t, url), `select count(*) from photo`))
	require.True(t, fault.Is(d.AddPhoto(t.Context(), photoOf(l, key, 100)), fault.WrongPhase), "and none comes after it")
}

func TestPhotosHaveTheirLimits(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	conn := superuser(t, url)
	aged := func() {
		_, err := conn.Exec(t.Context(), `update photo set at = at - interval '2 minutes'`)
		require.NoError(t, err)
	}
	l, other := newLine(), newLine()
	p, key := sealedBy(t, d, l, 100)
	require.NoError(t, d.AddPhoto(t.Context(), p))

	// Many at once take the last places of the minute, and no more.
	var wait sync.WaitGroup
	refused := make(chan error, MostPhotosMinute+8)
	for range MostPhotosMinute + 7 {
		wait.Go(func() {
			if err := d.AddPhoto(t.Context(), photoOf(l, key, 100)); err != nil {
				refused <- err
			}
		})
	}
	wait.Wait()
	close(refused)
	n := 0
	for err := range refused {
		require.True(t, fault.Is(err, fault.TooMany), "%v", err)
		n++
	}
	require.Equal(t, 8, n)
	require.True(t, fault.Is(d.RoomForPhoto(t.Context(), l.ref.ID), fault.TooMany))
	require.NoError(t, d.RoomForPhoto(t.Context(), other.ref.ID), "of each calibration")
	aged()

	const large = 10 << 20
	for range 3 {
		require.NoError(t, d.AddPhoto(t.Context(), photoOf(l, key, large)))
	}
	err := d.AddPhoto(t.Context(), photoOf(l, key, large))
	require.True(t, fault.Is(err, fault.TooLarge), "%v", err)
	require.ErrorContains(t, err, fmt.Sprint(MostPhotoBytes))
	require.NoError(t, d.RoomForPhoto(t.Context(), l.ref.ID), "a small one still fits")

	_, err = conn.Exec(t.Context(), `insert into photo select gen_random_uuid(), stream, key, sha256, '\x00000000000000000000000000000000000000000000000000000000000000', 1, 1, now() - interval '1 hour'
		from photo, generate_series(1, 200) where id = $1`, given(p.ID))
	require.NoError(t, err)
	err = d.RoomForPhoto(t.Context(), l.ref.ID)
	require.True(t, fault.Is(err, fault.TooLarge), "%v", err)
	require.ErrorContains(t, err, "at most 200")
}

func TestPhotosNobodyNamesAreClearedAway(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	conn := superuser(t, url)
	l := newLine()
	named, key := sealedBy(t, d, l, 100)
	unnamed, young, late := photoOf(l, key, 100), photoOf(l, key, 100), photoOf(l, key, 100)
	for _, p := range []live.StoredPhoto{named, unnamed, young, late} {
		require.NoError(t, d.AddPhoto(t.Context(), p))
	}
	attach := func(p live.StoredPhoto) {
		a := l.next("x")
		r := &a.Record
		r.Type = photo.Entry
		r.Body = fmt.Appendf(nil, `{"command":{"data":{"photo":%q}}}`, p.ID)
		r.Hash = trail.Sum(r.Prev, r.Body)
		want(t, d, a, live.Won)
		l.won(a)
	}
	attach(named)
	age := func(p live.StoredPhoto) {
		_, err := conn.Exec(t.Context(), `update photo set touched_at = now() - interval '25 hours' where id = $1`, given(p.ID))
		require.NoError(t, err)
	}
	age(named)
	age(unnamed)
	age(late)
	_, err := d.TouchPhoto(t.Context(), late.Of, late.ID) // a command that names it is under way
	require.NoError(t, err)
	there := func() []string {
		return one[[]string](t, conn, `select coalesce(array_agg(id::text order by id), '{}') from photo`)
	}
	for range 2 {
		require.NoError(t, d.SweepPhotos(t.Context(), 24*time.Hour))
		require.ElementsMatch(t, []string{named.ID.String(), young.ID.String(), late.ID.String()}, there())
	}
	require.Equal(t, named.ID.String(), one[string](t, conn, `select string_agg(id::text, ',') from photo where kept_at is not null`))
	age(late)
	attach(late)
	age(young)
	require.NoError(t, d.SweepPhotos(t.Context(), 24*time.Hour))
	require.ElementsMatch(t, []string{named.ID.String(), late.ID.String()}, there())
}
