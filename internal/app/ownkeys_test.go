package app

import (
	"context"
	"crypto/rand"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/keyfile"
	"readback/internal/live"
	"readback/internal/postgres"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

// opening is the first entry of a new stream that has a key of its own, wrapped by the key file.
func opening(t *testing.T, keys *keyfile.Keys) live.Append {
	t.Helper()
	id, keyID := stream.NewID(), stream.NewID()
	key, err := trail.NewKey(keyID, rand.Reader)
	require.NoError(t, err)
	wrapped, err := keys.Wrapping().Wrap(rand.Reader, key)
	require.NoError(t, err)
	commitment := key.Commitment()
	r, err := trail.Encode(stream.Entry{
		Stream: stream.Ref{Kind: stream.Job, ID: id}, Seq: 1, Type: "job-opened", V: 1, At: trail.Moment(time.Now()),
		By:      stream.By{Member: id, Org: id, Role: stream.Technician},
		Command: stream.Command{ID: stream.NewID(), Type: "open-job", Data: []byte(`{}`)}, MAC: make([]byte, 32),
		Decided: []byte(`{}`), Opens: &stream.Opens{Rules: 1, Key: &keyID, Commitment: &commitment},
	})
	require.NoError(t, err)
	return live.Append{Record: r, Summary: stream.Summary{Org: id, Phase: "open", Data: struct{}{}}, NewKey: &wrapped}
}

// TestTwoFirstStarts: of two processes that started while the database was still empty, each with a key file of its own,
// the one that comes second is stopped at its first new key.
func TestTwoFirstStarts(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), "delete from readback.stream_key")
	require.NoError(t, err)
	require.NoError(t, conn.Close(t.Context()))
	db, err := postgres.Open(t.Context(), url, postgres.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, db.Close(context.WithoutCancel(t.Context()))) })

	first, second := &ownKeys{DB: db, path: "/keys/first"}, &ownKeys{DB: db, path: "/keys/second"}
	for _, o := range []*ownKeys{first, second} {
		o.keys, err = keyfile.New("", rand.Reader, time.Now())
		require.NoError(t, err)
		require.NoError(t, o.check(t.Context()), "no key yet: any key file may be the first")
	}
	for range 2 {
		outcome, err := first.Append(t.Context(), opening(t, first.keys))
		require.NoError(t, err)
		require.Equal(t, live.Won, outcome)
	}
	late := opening(t, second.keys)
	_, err = second.Append(t.Context(), late)
	require.True(t, fault.Is(err, fault.InternalFault), "of a kind that nobody sends again: %v", err)
	require.ErrorIs(t, err, errOtherKeyFile)
	require.ErrorContains(t, fault.Of(err).Unwrap(), "/keys/second", "for the log")
	records, err := db.Load(t.Context(), late.Record.Ref(), 0, 0)
	require.NoError(t, err)
	require.Empty(t, records)
	_, err = db.Key(t.Context(), late.NewKey.ID)
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)
}
