package postgres

import (
	"context"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/postgres/local"
	"readback/internal/stream"
	"readback/internal/trail"
)

// durable is the state directory of a cluster that flushes what it commits.
func durable(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "readback-durable-*")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755)) // for the account that runs the server for root
	t.Cleanup(func() { require.NoError(t, local.Remove(context.WithoutCancel(t.Context()), dir, "")) })
	return dir
}

func start(t testing.TB, dir string) *local.Cluster {
	t.Helper()
	c, err := local.Start(t.Context(), local.Config{StateDir: dir, Settings: map[string]string{"max_connections": "200"}})
	require.NoError(t, err)
	t.Cleanup(c.Kill)
	return c
}

// TestKilledServer kills the whole database server (SIGKILL) under load, at seeded points, and brings it back. Every
// acknowledged entry is there, once; nothing is there that was not acknowledged in the end; and nobody but the appender
// noticed.
func TestKilledServer(t *testing.T) {
	t.Parallel()
	const seed, kills, lines, length = 7, 3, 64, 60
	random := rand.New(rand.NewPCG(seed, 0))
	dir := durable(t)
	c := start(t, dir)
	url := c.URL("postgres")
	_, err := Migrate(t.Context(), url, "")
	require.NoError(t, err)
	d := open(t, url, Options{Patience: time.Minute})

	var points []int64 // numbers of the acknowledgement at which to kill
	for i := range kills {
		points = append(points, int64(i)*lines*length/kills+random.Int64N(lines*length/kills-2*lines)+1)
	}
	killNow := make(chan struct{}, kills)
	var acknowledged atomic.Int64
	var mu sync.Mutex
	acks := map[stream.ID][]stream.Hash{}
	var load sync.WaitGroup
	for range lines {
		load.Go(func() {
			l := newLine()
			for l.seq < length {
				a := l.next("x")
				got, err := d.Append(t.Context(), a)
				if err != nil || got != live.Won {
					t.Errorf("%v, %v", got, err)
					return
				}
				l.won(a)
				mu.Lock()
				acks[l.ref.ID] = append(acks[l.ref.ID], a.Record.Hash)
				mu.Unlock()
				n := acknowledged.Add(1)
				for _, p := range points {
					if p == n {
						killNow <- struct{}{}
					}
				}
			}
		})
	}
	for range kills {
		pid, err := strconv.Atoi(one[string](t, superuser(t, url), `select split_part(pg_read_file('postmaster.pid'), E'\n', 1)`))
		require.NoError(t, err)
		<-killNow
		require.NoError(t, syscall.Kill(-pid, syscall.SIGKILL)) // the server and all its processes
		<-c.Done()
		c.Kill() // lets go of the directory
		c = start(t, dir)
		require.Equal(t, url, c.URL("postgres"))
	}
	load.Wait()
	require.False(t, t.Failed())

	there := map[stream.ID][]stream.Hash{}
	require.NoError(t, d.Snapshot(t.Context(), func(s Snapshot) error {
		var seq uint64
		var head stream.Hash
		for r, err := range s.AllRecords(t.Context(), stream.Calibration) {
			require.NoError(t, err)
			if r.Seq == 1 {
				seq, head = 0, stream.Hash{}
			}
			require.NoError(t, trail.Follows(seq, head, r))
			seq, head = r.Seq, r.Hash
			there[r.Stream] = append(there[r.Stream], r.Hash)
		}
		return nil
	}))
	require.Equal(t, acks, there)
	require.NotZero(t, d.AppendStats().Reconnect, "the kills met the load")
}
