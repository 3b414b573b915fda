package postgres

import (
	"context"
	"errors"
	"fmt"
	"iter"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/trail"
)

const recordColumns = `stream, seq, kind, type, v, at, actor, command_id, body, prev, hash`

const sqlLoad = `select ` + recordColumns + ` from entry where stream = $1 and seq > $2 and kind = $3 order by seq limit nullif($4::bigint, 0)`

// Load gives a stream's entries after the sequence number, in order; none if there are none, and at most limit unless that
// is 0.
func (d *DB) Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	all, err := reading(d.hub, func() ([]trail.Record, error) {
		rows, err := d.hub.Query(ctx, sqlLoad, given(ref.ID), int64(after), string(ref.Kind), int64(limit))
		return collect(records(rows, err))
	})
	if err != nil {
		return nil, fmt.Errorf("load %s: %w", ref, explain(err))
	}
	return all, nil
}

// sqlLoadPage is sqlLoad up to the entry that fills a page. How long a body is is known without reading it.
const sqlLoadPage = `
select ` + recordColumns + ` from (
	select *, sum(octet_length(body)) over (order by seq) - octet_length(body) as before from (
		select ` + recordColumns + ` from entry where stream = $1 and seq > $2 and kind = $3 order by seq limit $4
	) asked
) weighed where before < $5 order by seq`

// Load is DB.Load of what the organisation may see; where there is a limit, of a page of it.
func (a Asking) Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	a.of = ref.ID.String()
	sql, args := sqlLoad, []any{given(ref.ID), int64(after), string(ref.Kind), int64(limit)}
	if limit > 0 {
		sql, args = sqlLoadPage, append(args, int64(live.PageBytes))
	}
	all, err := asked(ctx, a, records, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("load %s for %s: %w", ref, a.org, explain(err))
	}
	return all, nil
}

// LoadFor is Load of what the organisation may see.
func (d *DB) LoadFor(ctx context.Context, org stream.ID, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	return d.For(org).Load(ctx, ref, after, limit)
}

// records reads rows of recordColumns to their end, or to the first error.
func records(rows pgx.Rows, err error) iter.Seq2[trail.Record, error] {
	return func(yield func(trail.Record, error) bool) {
		if err != nil {
			yield(trail.Record{}, err)
			return
		}
		defer rows.Close()
		var row struct {
			stream, actor, command pgtype.UUID
			seq                    int64
			v                      int32
			at                     pgtype.Timestamptz
			kind, typ              string
			prev, hash             []byte
		}
		for rows.Next() {
			var r trail.Record
			if err := rows.Scan(&row.stream, &row.seq, &row.kind, &row.typ, &row.v, &row.at, &row.actor, &row.command,
				&r.Body, &row.prev, &row.hash); err != nil {
				yield(trail.Record{}, err)
				return
			}
			r.Stream, r.Seq, r.Kind = row.stream.Bytes, uint64(row.seq), stream.Kind(row.kind)
			r.Type, r.V, r.At = row.typ, int(row.v), row.at.Time.UTC()
			r.Actor, r.CommandID = row.actor.Bytes, row.command.Bytes
			// the lengths are checked by the table
			r.Prev, r.Hash = stream.Hash(row.prev), stream.Hash(row.hash)
			if !yield(r, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(trail.Record{}, err)
		}
	}
}

const sqlNewestKey = `select id, wrapped from stream_key order by id desc limit 1`

// NewestKey gives the wrapped key that was made last, by its time-ordered id, or a not-found fault if there is none.
func (d *DB) NewestKey(ctx context.Context) (trail.WrappedKey, error) {
	key, err := reading(d.writer, func() (key trail.WrappedKey, err error) {
		var id pgtype.UUID
		err = d.writer.QueryRow(ctx, sqlNewestKey).Scan(&id, &key.Box)
		key.ID = id.Bytes
		return key, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return trail.WrappedKey{}, fault.New(fault.NotHere, "There is no key yet.")
	}
	if err != nil {
		return trail.WrappedKey{}, fmt.Errorf("read the newest key: %w", explain(err))
	}
	return key, nil
}

const sqlKeyOf = `select id, wrapped from stream_key where stream = $1`

// KeyOf gives the wrapped key of a stream, or a not-found fault if it has none or it was destroyed.
func (d *DB) KeyOf(ctx context.Context, owner stream.ID) (trail.WrappedKey, error) {
	key, err := reading(d.writer, func() (key trail.WrappedKey, err error) {
		var id pgtype.UUID
		err = d.writer.QueryRow(ctx, sqlKeyOf, given(owner)).Scan(&id, &key.Box)
		key.ID = id.Bytes
		return key, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return key, fault.New(fault.NotHere, "The stream has no key any more; what it sealed can no longer be read.")
	}
	if err != nil {
		return key, fmt.Errorf("read the key of %s: %w", owner, explain(err))
	}
	return key, nil
}

const sqlKey = `select wrapped from stream_key where id = $1`

// Key gives the wrapped key of that id, or a not-found fault once it was destroyed.
func (d *DB) Key(ctx context.Context, id stream.ID) (trail.WrappedKey, error) {
	box, err := reading(d.writer, func() (box []byte, err error) {
		err = d.writer.QueryRow(ctx, sqlKey, given(id)).Scan(&box)
		return box, err
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return trail.WrappedKey{}, fault.New(fault.NotHere, "The key is not here; what it sealed can no longer be read.")
	}
	if err != nil {
		return trail.WrappedKey{}, fmt.Errorf("read key %s: %w", id, explain(err))
	}
	return trail.WrappedKey{ID: id, Box: box}, nil
}
