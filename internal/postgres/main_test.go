package postgres

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(pgtest.Wrap(m, func(ctx context.Context, url string) error {
		_, err := Migrate(ctx, url, "readback")
		return err
	}))
}

func open(t testing.TB, url string, opt Options) *DB {
	t.Helper()
	d, err := Open(t.Context(), url, opt)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Close(context.WithoutCancel(t.Context()))) })
	return d
}

// superuser is a session that may do everything PostgreSQL lets anyone do, with our schema in sight.
func superuser(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	config, err := pgx.ParseConfig(url)
	require.NoError(t, err)
	config.RuntimeParams["search_path"] = schema
	conn, err := pgx.ConnectConfig(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close(context.WithoutCancel(t.Context())) })
	return conn
}

func one[T any](t testing.TB, conn *pgx.Conn, sql string, args ...any) T {
	t.Helper()
	var v T
	require.NoError(t, conn.QueryRow(t.Context(), sql, args...).Scan(&v))
	return v
}

// line makes the entries of one stream, one after the other.
type line struct {
	ref   stream.Ref
	org   stream.ID
	job   *stream.ID
	actor stream.ID
	seq   uint64
	head  stream.Hash
}

func newLine() *line {
	return &line{ref: stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}, org: stream.NewID(), actor: stream.NewID()}
}

// began is a time an entry and a timestamptz hold exactly.
var began = time.Date(2026, 11, 25, 10, 20, 30, 123e6, time.UTC)

// next is the stream's next entry. note makes it another one than a next of the same line with another note.
func (l *line) next(note string) live.Append {
	seq := l.seq + 1
	body := fmt.Appendf(nil, `{"note":%q,"seq":%d}`, note, seq)
	return live.Append{
		Record: trail.Record{
			Stream: l.ref.ID, Kind: l.ref.Kind, Seq: seq, Type: "noted", V: 1, At: began.Add(time.Duration(seq) * time.Second),
			Actor: l.actor, CommandID: stream.NewID(), Body: body, Prev: l.head, Hash: trail.Sum(l.head, body),
		},
		Summary: stream.Summary{Org: l.org, Phase: "guided", Data: map[string]any{"note": note}},
	}
}

func (l *line) won(a live.Append) { l.seq, l.head = a.Record.Seq, a.Record.Hash }

// add appends the next entry and wants it won.
func (l *line) add(t testing.TB, d *DB) live.Append {
	t.Helper()
	a := l.next("x")
	want(t, d, a, live.Won)
	l.won(a)
	return a
}

func want(t testing.TB, d *DB, a live.Append, outcome live.Outcome) {
	t.Helper()
	got, err := d.Append(t.Context(), a)
	require.NoError(t, err)
	require.Equal(t, outcome, got)
}
