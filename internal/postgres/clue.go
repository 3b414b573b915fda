package postgres

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/stream"
	"readback/internal/trail"
)

// OwnedKey is a stream's key, wrapped.
type OwnedKey struct {
	Stream stream.ID
	trail.WrappedKey
}

// How far it is stands in the one row of clue_cursor. Two nodes that go through it at once do the same twice.
const (
	sqlKeysWithoutClues = `
		select k.stream, k.id, k.wrapped from clue_cursor c join stream_key k on k.id > c.done order by k.id limit $1`

	sqlAddClues = `
		insert into clue (clue, job, key)
		select decode(each, 'hex'), $1, $2 from unnest(string_to_array($3, ' ')) as each
		where exists (select from stream_key where id = $2)
		on conflict do nothing`

	sqlCluesMade = `update clue_cursor set done = $1 where done < $1 or $1 is null`
)

// KeysWithoutClues gives the next keys of streams that were opened before there were clues; none once all were gone through.
func (d *DB) KeysWithoutClues(ctx context.Context, most int) ([]OwnedKey, error) {
	all, err := reading(d.writer, func() ([]OwnedKey, error) {
		rows, err := d.writer.Query(ctx, sqlKeysWithoutClues, most)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (k OwnedKey, err error) {
			var of, id pgtype.UUID
			err = row.Scan(&of, &id, &k.Box)
			k.Stream, k.ID = of.Bytes, id.Bytes
			return k, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("find the keys of jobs without clues: %w", explain(err))
	}
	return all, nil
}

// AddClues keeps clues of a job that was opened before there were any.
func (d *DB) AddClues(ctx context.Context, job, key stream.ID, clues []trail.Clue) error {
	if len(clues) == 0 {
		return nil
	}
	if _, err := d.writer.Exec(ctx, sqlAddClues, given(job), given(key), spelt(clues)); err != nil {
		return fmt.Errorf("keep the clues of job %s: %w", job, explain(err))
	}
	return nil
}

// CluesMade notes that the keys up to the last of these were gone through; with none, that all were.
func (d *DB) CluesMade(ctx context.Context, keys []OwnedKey) error {
	var last pgtype.UUID
	if n := len(keys); n > 0 {
		last = given(keys[n-1].ID)
	}
	_, err := d.writer.Exec(ctx, sqlCluesMade, last)
	if err != nil && !errors.Is(err, context.Canceled) {
		return fmt.Errorf("note which jobs have clues: %w", explain(err))
	}
	return err
}
