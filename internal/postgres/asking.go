package postgres

import (
	"context"
	"iter"

	"github.com/jackc/pgx/v5"

	"readback/internal/stream"
)

// Asking reads on behalf of one organisation: under row-level security, so that a row it may not see is not there,
// whatever the query says. See migrations/0010_secure_rows.sql.
type Asking struct {
	db  *DB
	org stream.ID
	of  string // the stream whose entries are read; "" where it is not one
}

// For gives what an organisation may see. The zero id is nobody's and sees nothing.
func (d *DB) For(org stream.ID) Asking { return Asking{db: d, org: org} }

const sqlAsking = `select set_config('readback.asking', $1, true), set_config('readback.stream', $2, true)`

// asked runs one query for the organisation. The settings and the query go out as one batch: one round trip, and in every
// mode in which the driver runs statements one transaction, that of everything up to one Sync (PostgreSQL documentation,
// Message Flow, Pipelining). The settings are local to it and end with it, so that the next user of the connection has none.
func asked[T any](ctx context.Context, a Asking, read func(pgx.Rows, error) iter.Seq2[T, error], sql string, args ...any) ([]T, error) {
	return reading(a.db.reader, func() ([]T, error) {
		var batch pgx.Batch
		batch.Queue(sqlAsking, a.org.String(), a.of)
		batch.Queue(sql, args...)
		sent := a.db.reader.SendBatch(ctx, &batch)
		all, err := func() ([]T, error) {
			if _, err := sent.Exec(); err != nil {
				return nil, err
			}
			return collect(read(sent.Query()))
		}()
		if closed := sent.Close(); err == nil {
			err = closed
		}
		return all, err
	})
}
