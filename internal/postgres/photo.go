package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/photo"
	"readback/internal/stream"
)

// What one calibration may have of photos. The bytes are such that its bundle can be written: see trail.MaxBundle.
const (
	MostPhotos       = 200
	MostPhotoBytes   = 40 << 20
	MostPhotosMinute = 30 // given within a minute
)

var _ live.Photos = (*DB)(nil)

const sqlPhotoRoom = `
select count(*), coalesce(sum(octet_length(sealed)), 0)::bigint, count(*) filter (where at > now() - interval '1 minute')
from photo where stream = $1`

type querying interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// photoRoom refuses what more bytes would be too much.
func photoRoom(ctx context.Context, on querying, of stream.ID, more int) error {
	var photos, bytes, minute int
	if err := on.QueryRow(ctx, sqlPhotoRoom, given(of)).Scan(&photos, &bytes, &minute); err != nil {
		return err
	}
	switch {
	case photos >= MostPhotos:
		return fault.New(fault.TooLarge, fmt.Sprintf("This calibration has %d photos; it takes no more. Those that no entry names are cleared away after a day.", photos),
			fault.Field{Name: "photos", Want: fmt.Sprintf("at most %d", MostPhotos)})
	case bytes+more > MostPhotoBytes:
		return fault.New(fault.TooLarge, fmt.Sprintf("This calibration's photos have %d bytes, and with this one they would have more than %d.", bytes, MostPhotoBytes),
			fault.Field{Name: "photos", Want: fmt.Sprintf("at most %d bytes", MostPhotoBytes)})
	case minute >= MostPhotosMinute:
		return fault.New(fault.TooMany, fmt.Sprintf("This calibration was given %d photos within a minute. Try again shortly.", minute))
	}
	return nil
}

// RoomForPhoto looks whether the stream takes another photo, of whatever size.
func (d *DB) RoomForPhoto(ctx context.Context, of stream.ID) error {
	_, err := reading(d.hub, func() (struct{}, error) { return struct{}{}, photoRoom(ctx, d.hub, of, 1) })
	if err != nil {
		return fmt.Errorf("look for room for a photo: %w", explain(err))
	}
	return nil
}

// sqlOneByOne lets one photo of a stream in at a time, so that two do not both take the last place. Whatever else takes
// that number waits, no more.
const sqlOneByOne = `select pg_advisory_xact_lock(hashtextextended($1, 0))`

const sqlAddPhoto = `
insert into photo (id, stream, key, sha256, sealed, width_px, height_px) values ($1, $2, $3, $4, $5, $6, $7)`

// AddPhoto makes a photo durable.
func (d *DB) AddPhoto(ctx context.Context, p live.StoredPhoto) error {
	err := pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sqlOneByOne, "photo "+p.Of.String()); err != nil {
			return err
		}
		if err := photoRoom(ctx, tx, p.Of, len(p.Sealed)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, sqlAddPhoto, given(p.ID), given(p.Of), given(p.Key), p.SHA256[:], p.Sealed, p.WidthPX, p.HeightPX)
		return err
	})
	if err != nil {
		return fmt.Errorf("keep a photo: %w", explain(err))
	}
	return nil
}

const photoColumns = `id, stream, key, sha256, width_px, height_px`

func scanPhoto(row pgx.CollectableRow, more ...any) (p live.StoredPhoto, err error) {
	var id, of, key pgtype.UUID
	var sum []byte
	err = row.Scan(append([]any{&id, &of, &key, &sum, &p.WidthPX, &p.HeightPX}, more...)...)
	p.Named.ID, p.Of, p.Key = id.Bytes, of.Bytes, key.Bytes
	copy(p.SHA256[:], sum)
	return p, err
}

const sqlPhotos = `select ` + photoColumns + `, sealed from photo where stream = $1 and id = any($2)`

// PhotosOf gives those of the stream's photos that are there, in no order.
func (d *DB) PhotosOf(ctx context.Context, of stream.ID, wanted []stream.ID) ([]live.StoredPhoto, error) {
	ids := make(pgtype.FlatArray[pgtype.UUID], len(wanted))
	for i, id := range wanted {
		ids[i] = given(id)
	}
	all, err := reading(d.hub, func() ([]live.StoredPhoto, error) {
		rows, err := d.hub.Query(ctx, sqlPhotos, given(of), ids)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (live.StoredPhoto, error) {
			var sealed []byte
			p, err := scanPhoto(row, &sealed)
			p.Sealed = sealed
			return p, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("read photos: %w", explain(err))
	}
	return all, nil
}

// Photo gives one photo of the stream.
func (d *DB) Photo(ctx context.Context, of, id stream.ID) (live.StoredPhoto, error) {
	all, err := d.PhotosOf(ctx, of, []stream.ID{id})
	if err != nil {
		return live.StoredPhoto{}, err
	}
	if len(all) == 0 {
		return live.StoredPhoto{}, noSuchPhoto()
	}
	return all[0], nil
}

const sqlTouchPhoto = `update photo set touched_at = now() where stream = $1 and id = $2 returning ` + photoColumns

// TouchPhoto keeps a photo from being cleared away for the time that Sweep leaves.
func (d *DB) TouchPhoto(ctx context.Context, of, id stream.ID) (live.StoredPhoto, error) {
	p, err := reading(d.writer, func() (live.StoredPhoto, error) { // to touch it twice is to touch it
		rows, err := d.writer.Query(ctx, sqlTouchPhoto, given(of), given(id))
		if err != nil {
			return live.StoredPhoto{}, err
		}
		return pgx.CollectExactlyOneRow(rows, func(row pgx.CollectableRow) (live.StoredPhoto, error) { return scanPhoto(row) })
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return p, noSuchPhoto()
	}
	if err != nil {
		return p, fmt.Errorf("touch a photo: %w", explain(err))
	}
	return p, nil
}

func noSuchPhoto() error { return fault.New(fault.NotHere, "There is no such photo.") }

// sqlNamed finds the photos of some age that no entry was found for yet, and whether there is one by now.
const sqlNamed = `
select id, exists (
	select from entry e where e.stream = photo.stream and e.type = '` + photo.Entry + `'
		and convert_from(e.body, 'UTF8')::jsonb -> 'command' -> 'data' ->> 'photo' = photo.id::text)
from photo where kept_at is null and touched_at < now() - make_interval(secs => $1) order by touched_at limit $2`

const sqlKeepPhotos = `update photo set kept_at = now() where id = any($1)`

const sqlClearPhotos = `delete from photo where id = any($1) and kept_at is null and touched_at < now() - make_interval(secs => $2)`

// sweepPage is how many photos are looked at in one statement.
const sweepPage = 500

// SweepPhotos deletes the photos that no entry has named within the time since they were given, or touched. It may run on
// every node at once.
func (d *DB) SweepPhotos(ctx context.Context, after time.Duration) error {
	for {
		named, unnamed, err := d.photosByName(ctx, after)
		if err == nil {
			_, err = d.writer.Exec(ctx, sqlKeepPhotos, named)
		}
		if err == nil {
			_, err = d.writer.Exec(ctx, sqlClearPhotos, unnamed, after.Seconds())
		}
		if err != nil {
			return fmt.Errorf("clear photos away: %w", explain(err))
		}
		if len(named)+len(unnamed) < sweepPage {
			return nil
		}
	}
}

func (d *DB) photosByName(ctx context.Context, after time.Duration) (named, unnamed pgtype.FlatArray[pgtype.UUID], err error) {
	rows, err := d.hub.Query(ctx, sqlNamed, after.Seconds(), sweepPage)
	if err != nil {
		return nil, nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var id pgtype.UUID
		var there bool
		if err := rows.Scan(&id, &there); err != nil {
			return nil, nil, err
		}
		if there {
			named = append(named, id)
		} else {
			unnamed = append(unnamed, id)
		}
	}
	return named, unnamed, rows.Err()
}
