package local

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

// serveVar makes the test binary a service of that state directory, to be killed.
const serveVar = "READBACK_TEST_SERVE"

func TestMain(m *testing.M) {
	if dir := os.Getenv(serveVar); dir != "" {
		serve(dir)
	}
	goleak.VerifyTestMain(m)
}

// serve is a service that starts the cluster, says so, and waits to be killed.
func serve(dir string) {
	c, err := Start(context.Background(), Config{StateDir: dir})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	fmt.Println("serving", c.server.cmd.Process.Pid)
	<-c.Done()
	os.Exit(2)
}

// startService runs serve in another process and returns it with the server's process id.
func startService(t *testing.T, dir string) (*exec.Cmd, int) {
	t.Helper()
	cmd := exec.Command("/proc/self/exe")
	cmd.Env = append(os.Environ(), serveVar+"="+dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	pid, ok := strings.CutPrefix(strings.TrimSpace(line), "serving ")
	require.True(t, ok, line)
	n, err := strconv.Atoi(pid)
	require.NoError(t, err)
	return cmd, n
}

// TestAsPlainUser runs every test again as a user without rights, from a directory that is not its own.
func TestAsPlainUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("already a plain user")
	}
	nobody, err := user.Lookup("nobody")
	require.NoError(t, err)
	uid, err := strconv.Atoi(nobody.Uid)
	require.NoError(t, err)
	gid, err := strconv.Atoi(nobody.Gid)
	require.NoError(t, err)
	tmp := newTempDir(t)
	require.NoError(t, os.Chown(tmp, uid, gid))

	// The binary stands in a directory of root's; the link in /proc needs no way to it.
	cmd := exec.Command("/proc/self/exe", "-test.v", "-test.timeout=2m")
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + tmp}
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL,
		Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Contains(t, string(out), "--- PASS: TestSurvives")
	require.Contains(t, string(out), "--- PASS: TestServiceKilled")
}

// newTempDir is a directory every account can reach, unlike t.TempDir's. For a test, which makes no claim about the loss
// of power, it is in memory where there is plenty: making a cluster is a thousand new files. A benchmark is about the disk.
func newTempDir(t testing.TB) string {
	t.Helper()
	parent := os.TempDir()
	if _, isTest := t.(*testing.T); isTest && os.Getenv("TMPDIR") == "" {
		if free, err := freeBytes("/dev/shm"); err == nil && free > 2<<30 && unix.Access("/dev/shm", unix.W_OK) == nil {
			parent = "/dev/shm"
		}
	}
	dir, err := os.MkdirTemp(parent, "readback-local-*")
	require.NoError(t, err)
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chmod(dir, 0o755))
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// start starts a cluster and stops it with the test if the test has not.
func startCluster(t testing.TB, cfg Config) *Cluster {
	t.Helper()
	c, err := Start(t.Context(), cfg)
	require.NoError(t, err)
	t.Cleanup(c.Kill)
	return c
}

func query[T any](t testing.TB, c *Cluster, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), c.URL("postgres"))
	require.NoError(t, err)
	defer conn.Close(context.WithoutCancel(t.Context()))
	var v T
	require.NoError(t, conn.QueryRow(t.Context(), sql).Scan(&v))
	return v
}

func execSQL(t testing.TB, c *Cluster, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), c.URL("postgres"))
	require.NoError(t, err)
	defer conn.Close(context.WithoutCancel(t.Context()))
	_, err = conn.Exec(t.Context(), sql)
	require.NoError(t, err)
}

// watchProcess returns a function that blocks until the process, which need not be a child, has ended.
func watchProcess(t *testing.T, pid int) func() {
	t.Helper()
	fd, err := unix.PidfdOpen(pid, 0)
	require.NoError(t, err)
	return func() {
		defer unix.Close(fd)
		for {
			n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 20_000)
			if err != unix.EINTR {
				require.NoError(t, err)
				require.Equal(t, 1, n, "process %d still runs", pid)
				return
			}
		}
	}
}
