package bench

import (
	"bufio"
	"context"
	"log/slog"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/config"
	"readback/internal/postgres/local"
)

// firstStart compares the starts a new machine's user waits for with a plain initdb, which does its own syncing, and
// start of the same server.
func firstStart(t *testing.T, e effort, bin string, b *book) {
	ways := []func() time.Duration{
		func() time.Duration { return plainStart(t, e, bin) }, func() time.Duration { return serverStart(t) },
		func() time.Duration { return clusterStart(t) },
	}
	if !e.long {
		ways = ways[:2] // a server starts a cluster too
	}
	e.say("first start", e.starts, len(ways), 0)
	took := rounds(e.starts, false, len(ways), func(w int) float64 { return ways[w]().Seconds() })
	b.put("serve", ratios(took[1], took[0]))
	b.note("first start: plain %s s, until requests are answered %s s", spread(took[0], "%.2f"), spread(took[1], "%.2f"))
	if !e.long {
		b.put("start", nil)
		return
	}
	b.put("start", ratios(took[2], took[0]))
	b.note("first start of the database alone: %s s", spread(took[2], "%.2f"))
}

// newDir is a directory for a cluster, on the disk of the system's temporary directory.
func newDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "readback-bench-*")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755)) // for the account that runs the server for root
	t.Cleanup(func() {
		require.NoError(t, local.Remove(context.WithoutCancel(t.Context()), dir, ""))
		require.NoError(t, os.RemoveAll(dir)) // and the keys
	})
	return dir
}

func clusterStart(t *testing.T) time.Duration {
	dir := newDir(t)
	begin := time.Now()
	c, err := local.Start(t.Context(), local.Config{StateDir: dir})
	took := time.Since(begin)
	require.NoError(t, err)
	c.Kill()
	return took
}

// serverStart includes the keys and the migrations.
func serverStart(t *testing.T) time.Duration {
	dir := newDir(t)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	answers, ended := make(chan time.Time, 1), make(chan error, 1)
	begin := time.Now()
	go func() {
		cfg := config.Config{StateDir: dir, KeyFile: filepath.Join(dir, "keys"), Listen: "127.0.0.1:0", SignInLasts: time.Hour}
		ended <- app.Serve(ctx, cfg, slog.New(slog.DiscardHandler), "bench", func(string) { answers <- time.Now() })
	}()
	select {
	case at := <-answers:
		stop()
		require.NoError(t, <-ended)
		return at.Sub(begin)
	case err := <-ended:
		require.NoError(t, err)
		t.Fatal("the server ended before it began")
		return 0
	}
}

// plainStart is what PostgreSQL's manual says to type, by the account that runs it.
func plainStart(t *testing.T, e effort, bin string) time.Duration {
	dir, err := os.MkdirTemp("", "readback-bench-plain-*")
	require.NoError(t, err)
	defer func() { require.NoError(t, os.RemoveAll(dir)) }()
	runtime.LockOSThread() // whose end would be taken for ours
	defer runtime.UnlockOSThread()
	attr := &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}
	if os.Geteuid() == 0 {
		u, err := user.Lookup("postgres")
		require.NoError(t, err)
		uid, err := strconv.Atoi(u.Uid)
		require.NoError(t, err)
		gid, err := strconv.Atoi(u.Gid)
		require.NoError(t, err)
		require.NoError(t, os.Chown(dir, uid, gid))
		attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
	command := func(name string, args ...string) *exec.Cmd {
		cmd := exec.Command(filepath.Join(bin, name), args...)
		cmd.Dir, cmd.SysProcAttr = dir, attr
		cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
		return cmd
	}
	data := filepath.Join(dir, "data")
	begin := time.Now()
	args := []string{"-D", data, "-A", "trust", "-E", "UTF8", "--no-locale"}
	if !e.long {
		args = append(args, "--no-sync")
	}
	out, err := command("initdb", args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	server := command("postgres", "-D", data, "-c", "listen_addresses=", "-c", "unix_socket_directories="+dir)
	says, err := server.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, server.Start())
	var took time.Duration
	for in := bufio.NewScanner(says); in.Scan(); {
		if strings.Contains(in.Text(), "ready to accept connections") {
			took = time.Since(begin)
			require.NoError(t, server.Process.Signal(syscall.SIGQUIT)) // the rest is read until it has ended
		}
	}
	_ = server.Wait() // status 2 for SIGQUIT
	require.NotZero(t, took, "the server did not start")
	return took
}
