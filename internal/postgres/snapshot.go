package postgres

import (
	"context"
	"fmt"
	"iter"

	"github.com/jackc/pgx/v5"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Snapshot is the whole database at one moment, for verifying it while others go on writing. Its two sequences read row
// by row and hold nothing; only one of them may be under way at a time.
type Snapshot struct{ tx pgx.Tx }

// Snapshot runs fn over one moment of the database. It is not to be kept open for longer than reading takes.
func (d *DB) Snapshot(ctx context.Context, fn func(Snapshot) error) error {
	tx, err := reading(d.hub, func() (pgx.Tx, error) {
		return d.hub.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	})
	if err != nil {
		return fmt.Errorf("take a snapshot: %w", explain(err))
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) // nothing was written
	return fn(Snapshot{tx})
}

const sqlAllHeads = `select ` + headColumns + ` from head order by stream`

// AllHeads gives every stream's row, in the order of their ids. It ends with the first error.
func (s Snapshot) AllHeads(ctx context.Context) iter.Seq2[Head, error] {
	return func(yield func(Head, error) bool) {
		rows, err := s.tx.Query(ctx, sqlAllHeads)
		explained("read all heads", heads(rows, err))(yield)
	}
}

const sqlAllRecords = `select ` + recordColumns + ` from entry where kind = $1 order by stream, seq`

// AllRecords gives every entry of the streams of one kind, stream by stream in the order of their ids, each stream in
// its own order. It ends with the first error.
func (s Snapshot) AllRecords(ctx context.Context, kind stream.Kind) iter.Seq2[trail.Record, error] {
	return func(yield func(trail.Record, error) bool) {
		rows, err := s.tx.Query(ctx, sqlAllRecords, string(kind))
		explained("read all entries", records(rows, err))(yield)
	}
}

func explained[T any](what string, seq iter.Seq2[T, error]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for v, err := range seq {
			if err != nil {
				err = fmt.Errorf("%s: %w", what, explain(err))
			}
			if !yield(v, err) {
				return
			}
		}
	}
}
