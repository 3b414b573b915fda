package faults

import (
	"context"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// TestStopWhileBusy asks the server three times to stop while commands are under way. It ends in order, tells every
// connection to come back, and the work goes on where it was.
func TestStopWhileBusy(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	p := newPlace(t)
	require.NoError(t, p.start(ctx))
	asked := make(chan struct{}, 1)
	stops := []int{15, 60, 100} // commands sent
	var mu sync.Mutex
	tap := &tap{ledger: newLedger(), written: func(n int) {
		mu.Lock()
		defer mu.Unlock()
		if len(stops) > 0 && n >= stops[0] && len(asked) == 0 {
			stops = stops[1:]
			p.askToStop()
			asked <- struct{}{}
		}
	}}
	var reviving sync.WaitGroup
	var ends []error
	reviving.Go(func() {
		for range asked {
			<-p.serving().done
			ends = append(ends, p.serving().err, p.start(ctx))
		}
	})
	crew := p.crew(ctx, tap)
	streams := crew.work(ctx, t, func() bool { return false })
	close(asked)
	reviving.Wait()
	require.Empty(t, stops)
	require.Len(t, ends, 6)
	for _, err := range ends {
		require.NoError(t, err)
	}
	tap.ledger.audit(ctx, t, streams)
	tap.ledger.onlyNotReady(t)
	// Two technicians and two specialists, connected at each of the stops; and at the end the clients took leave.
	require.Equal(t, map[int]int{1001: 12, 1000: 4}, tap.ledger.closes)
	verifyBundles(ctx, t, p, streams)
	p.stop()
	p.run("verify", "--database")
	require.Empty(t, p.postgres(), "PostgreSQL processes after the server has stopped")
}

// TestKilledServerLeavesNothing kills the server alone: its PostgreSQL ends too, and the next server starts.
func TestKilledServerLeavesNothing(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	p := newPlace(t)
	require.Empty(t, p.postgres(), "PostgreSQL processes after init")
	require.NoError(t, p.start(ctx))
	running := p.postgres()
	require.Greater(t, len(running), 1)
	require.NoError(t, p.serving().cmd.Process.Kill())
	<-p.serving().done
	awaitEnd(t, running)
	require.Empty(t, p.postgres())
	require.NoError(t, p.start(ctx))
	p.stop()
}

// awaitEnd waits for the end of processes that are not ours to wait for: a pidfd becomes readable then (pidfd_open(2)).
func awaitEnd(t *testing.T, pids []int) {
	t.Helper()
	for _, pid := range pids {
		fd, err := unix.PidfdOpen(pid, 0)
		if err == unix.ESRCH {
			continue
		}
		require.NoError(t, err)
		n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 10_000)
		unix.Close(fd)
		require.NoError(t, err)
		require.Equal(t, 1, n, "process %d outlives the server by 10 s", pid)
	}
}
