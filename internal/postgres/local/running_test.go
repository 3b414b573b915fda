package local

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
)

// TestRunning finds the server of another process, by the plain path and by a link to it, and starts none of its own.
func TestRunning(t *testing.T) {
	t.Parallel()
	tmp := newTempDir(t)
	dir := filepath.Join(tmp, strings.Repeat("long", 30)) // the socket goes elsewhere
	made, err := Made(dir)
	require.NoError(t, err)
	require.False(t, made)
	_, err = Running(dir, Superuser, "postgres")
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.NoDirExists(t, dir, "a look must make nothing")

	service, server := startService(t, dir)
	link := filepath.Join(tmp, "link")
	require.NoError(t, os.Symlink(dir, link))
	for _, path := range []string{dir, link} {
		url, err := Running(path, Superuser, "postgres")
		require.NoError(t, err)
		conn, err := pgx.Connect(t.Context(), url)
		require.NoError(t, err)
		var data string
		require.NoError(t, conn.QueryRow(t.Context(), "show data_directory").Scan(&data))
		require.Equal(t, filepath.Join(dir, homeName, "data"), data)
		require.NoError(t, conn.Close(context.WithoutCancel(t.Context())))
	}
	_, err = Start(t.Context(), Config{StateDir: dir})
	require.ErrorIs(t, err, ErrInUse)
	made, err = Made(dir)
	require.NoError(t, err)
	require.True(t, made)

	gone := watchProcess(t, server)
	require.NoError(t, service.Process.Kill())
	require.Error(t, service.Wait())
	gone()
	_, err = Running(dir, Superuser, "postgres")
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.False(t, errors.Is(err, ErrInUse))
	c := startCluster(t, Config{StateDir: dir}) // the look left no lock behind
	require.NoError(t, c.Stop(t.Context()))
	require.NoError(t, Remove(t.Context(), dir, ""))
}

// TestSocketOf reads postmaster.pid as src/include/utils/pidfile.h of PostgreSQL describes it.
func TestSocketOf(t *testing.T) {
	t.Parallel()
	const upToListen = "4711\n/data\n1764000000\n5432\n/run/there\n\n"
	for text, want := range map[string]string{
		upToListen + "  123 456\nready   \n":   "/run/there",
		upToListen + "  123 456\nstarting\n":   "",
		upToListen + "  123 456\nstopping\n":   "",
		upToListen:                             "",
		"":                                     "",
		"4711\n/data\n1\n5432\n\n\n1\nready\n": "",
	} {
		dir, up := socketOf(text)
		if !up {
			dir = ""
		}
		require.Equal(t, want, dir, text)
	}
}

// TestLockWhileProcessesStart takes and gives up the lock, and looks at it, while processes are started all the time: each
// holds a copy of every open file until it runs its program, which must neither keep a lock nor refuse one.
func TestLockWhileProcessesStart(t *testing.T) {
	t.Parallel()
	h := &home{dir: newTempDir(t)}
	stop := make(chan struct{})
	var starters sync.WaitGroup
	for range 4 {
		starters.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					_ = exec.Command("/bin/true").Run()
				}
			}
		})
	}
	defer starters.Wait()
	defer close(stop)
	for range 2000 {
		require.NoError(t, h.takeLock())
		held, err := h.lockHeld()
		require.NoError(t, err)
		require.True(t, held)
		h.close()
		held, err = h.lockHeld()
		require.NoError(t, err)
		require.False(t, held)
	}
}
