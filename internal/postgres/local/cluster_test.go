package local

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// TestSurvives takes one cluster through a life: each part begins where the one before it ended.
func TestSurvives(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(newTempDir(t), "Süd 3+%20", "状态")
	cfg := Config{StateDir: dir, Settings: map[string]string{"work_mem": "5MB"}}
	c := startCluster(t, cfg)
	h := c.home
	checkURL(t, c)

	for name, want := range map[string]string{
		"listen_addresses": "", "fsync": "on", "full_page_writes": "on", "synchronous_commit": "on",
		"data_checksums": "on", "server_encoding": "UTF8", "lc_collate": "C", "TimeZone": "UTC",
	} {
		require.Equal(t, want, query[string](t, c, "select current_setting('"+name+"')"), name)
	}
	for _, d := range []string{h.data(), c.socket} {
		info, err := os.Stat(d)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o700), info.Mode().Perm(), d)
		require.EqualValues(t, h.owner.uid, info.Sys().(*syscall.Stat_t).Uid, d)
	}
	require.NotZero(t, h.owner.uid)
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.server.cmd.Process.Pid))
	require.NoError(t, err)
	require.Contains(t, string(status), fmt.Sprintf("\nUid:\t%d\t%[1]d\t%[1]d\t%[1]d\n", h.owner.uid))

	execSQL(t, c, "create table kept (n int)")
	n := 0
	keep := func() {
		n++
		execSQL(t, c, fmt.Sprintf("insert into kept values (%d)", n))
	}
	again := func() {
		t.Helper()
		c = startCluster(t, cfg)
		require.EqualValues(t, n, query[int64](t, c, "select count(*) from kept"))
	}
	keep()

	_, err = Start(t.Context(), cfg)
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.ErrorContains(t, err, fmt.Sprintf("Process %d already runs", os.Getpid()))
	require.Error(t, Remove(t.Context(), dir, ""), "a running cluster must not be removed")
	keep()

	// Asked to stop, it leaves nothing to recover.
	require.NoError(t, c.Stop(t.Context()))
	<-c.Done()
	require.NoError(t, c.Err())
	require.Contains(t, strings.Join(c.server.said.lines(), "\n"), "database system is shut down")
	require.NoError(t, c.Stop(t.Context()), "a second stop is nothing")
	again()

	// No time to stop: it recovers.
	late, cancel := context.WithCancel(t.Context())
	cancel()
	keep()
	require.ErrorIs(t, c.Stop(late), context.Canceled)
	again()

	// The server's first process killed.
	keep()
	require.NoError(t, syscall.Kill(c.server.cmd.Process.Pid, syscall.SIGKILL))
	<-c.Done()
	require.True(t, fault.Is(c.Err(), fault.NoDatabase), "%v", c.Err())
	require.NoError(t, c.Stop(t.Context()))
	again()

	// The locks of a killed server name a process that still exists, as a zombie of the server's own user.
	keep()
	c.Kill()
	zombie := makeZombie(t, h.owner)
	for _, path := range []string{filepath.Join(h.data(), "postmaster.pid"), filepath.Join(c.socket, socketName+".lock")} {
		text := fmt.Sprintf("%d\n%s\n1\n5432\n%s\n\n0 0\nready   \n", zombie, h.data(), c.socket)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		require.NoError(t, h.owner.own(path))
	}
	again()

	// A server nobody owns any more still runs in the data directory.
	keep()
	require.NoError(t, c.Stop(t.Context()))
	cmd := exec.Command(c.bins.path("postgres"), "-D", h.data(), "-k", c.socket, "-c", "listen_addresses=")
	cmd.Env, cmd.Dir, cmd.SysProcAttr = environment(), h.dir, h.owner.attr(0)
	orphan, err := spawn(cmd)
	require.NoError(t, err)
	asServer := &server{child: orphan, done: orphan.done, said: &serverLog{}}
	require.NoError(t, asServer.awaitReady(t.Context(), filepath.Join(h.data(), "postmaster.pid")))
	again()
	<-orphan.done
	require.NoError(t, c.Stop(t.Context()))

	require.NoError(t, Remove(t.Context(), dir, ""))
	require.NoDirExists(t, dir)
}

// checkURL has the connection URL read by libpq, the reference for its form (PostgreSQL documentation, "Connection URIs").
func checkURL(t *testing.T, c *Cluster) {
	t.Helper()
	out, err := exec.Command(c.bins.path("psql"), "-XAtc", "select current_user, current_database(), current_setting('work_mem')",
		c.URL("template1")).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Equal(t, "postgres|template1|5MB\n", string(out))

	execSQL(t, c, "create role reader login")
	conn, err := pgx.Connect(t.Context(), c.URLAs("reader", "postgres"))
	require.NoError(t, err)
	require.NoError(t, conn.Close(t.Context()))
}

// makeZombie is a process of the owner's that has ended and is not waited for before the test's end.
func makeZombie(t *testing.T, own owner) int {
	t.Helper()
	cmd := exec.Command("true")
	cmd.Dir, cmd.SysProcAttr = "/", own.attr(0)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { require.NoError(t, cmd.Wait()) })
	for {
		err := unix.Waitid(unix.P_PID, cmd.Process.Pid, nil, unix.WEXITED|unix.WNOWAIT, nil)
		if err != unix.EINTR {
			require.NoError(t, err)
			return cmd.Process.Pid
		}
	}
}

// TestServiceKilled kills the service itself: its server must go with it, and what was committed must stay.
func TestServiceKilled(t *testing.T) {
	t.Parallel()
	dir := newTempDir(t)
	service, pid := startService(t, dir)
	gone := watchProcess(t, pid)

	_, err := Start(t.Context(), Config{StateDir: dir})
	require.ErrorContains(t, err, fmt.Sprintf("Process %d already runs", service.Process.Pid))

	conn, err := pgx.Connect(t.Context(), (&Cluster{socket: filepath.Join(dir, homeName, "run")}).URL("postgres"))
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), "create table kept as select 7 as n")
	require.NoError(t, err)

	require.NoError(t, service.Process.Kill())
	require.Error(t, service.Wait())
	gone()

	// The next start at once, while the old server may still be on its way out.
	service, pid = startService(t, dir)
	gone = watchProcess(t, pid)
	require.NoError(t, service.Process.Kill())
	require.Error(t, service.Wait())
	c := startCluster(t, Config{StateDir: dir})
	gone()
	require.Equal(t, 7, query[int](t, c, "select n from kept"))
}

func TestSocketFarFromALongPath(t *testing.T) {
	t.Parallel()
	base := newTempDir(t)
	dir := filepath.Join(base, strings.Repeat("long ", 25), "comma, too")
	h := &home{dir: filepath.Join(dir, homeName)}
	require.False(t, fitsSocket(h.nearSocketDir()))
	squatter := h.farSocketDir()
	require.NoError(t, os.WriteFile(squatter, nil, 0o600))
	t.Cleanup(func() { _ = os.RemoveAll(squatter) })

	cfg := Config{StateDir: dir, FastUnsafe: true}
	_, err := Start(t.Context(), cfg)
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.ErrorContains(t, err, squatter)

	require.NoError(t, os.Remove(squatter))
	c := startCluster(t, cfg)
	require.Equal(t, squatter, c.socket)
	require.Equal(t, 1, query[int](t, c, "select 1"))
	c.Kill()
	require.NoDirExists(t, squatter)
	require.NoError(t, Remove(t.Context(), dir, ""))
}

func TestUnfinishedCreation(t *testing.T) {
	t.Parallel()
	dir := newTempDir(t)
	cfg := Config{StateDir: dir, FastUnsafe: true}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := Start(gone, cfg)
	require.ErrorIs(t, err, context.Canceled)
	entries, err := os.ReadDir(filepath.Join(dir, homeName))
	require.NoError(t, err)
	require.Len(t, entries, 1, "only the lock may be left: %v", entries)

	// What a start leaves that was killed meanwhile.
	half := filepath.Join(dir, homeName, unfinished+"1", "base")
	require.NoError(t, os.MkdirAll(half, 0o700))
	c := startCluster(t, cfg)
	require.NoDirExists(t, filepath.Dir(half))
	require.Equal(t, 1, query[int](t, c, "select 1"))
}

func TestDefaultStateDir(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		euid            int
		xdg, home, want string
	}{
		{0, "/x", "/root", "/var/lib/readback"},
		{7, "/x", "/home/u", "/x/readback"},
		// "All paths set in these environment variables must be absolute. If an implementation encounters a relative path
		// […] it should consider the path invalid and ignore it." XDG Base Directory Specification 0.8.
		{7, "x", "/home/u", "/home/u/.local/share/readback"},
		{7, "", "/home/u", "/home/u/.local/share/readback"},
		{7, "", "", ""},
	} {
		got, err := DefaultStateDir(tc.euid, func(name string) string {
			return map[string]string{"XDG_DATA_HOME": tc.xdg, "HOME": tc.home}[name]
		})
		require.Equal(t, tc.want, got)
		require.Equal(t, tc.want == "", fault.Is(err, fault.NoDatabase), "%v", err)
	}
}
