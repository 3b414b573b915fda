package local

import (
	"context"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkStart measures the starts a user waits for. "first" and "plain" are a pair: the same server made by a plain
// initdb with its own syncing and started by hand. Goal: first ≤ 1.3 × plain; compare them within one run only.
func BenchmarkStart(b *testing.B) {
	b.Run("plain", func(b *testing.B) {
		own, err := findOwner(os.Geteuid(), "")
		require.NoError(b, err)
		for b.Loop() {
			b.StopTimer()
			bins, err := findBinaries("", 0, own)
			require.NoError(b, err)
			h := &home{dir: newTempDir(b), owner: own}
			require.NoError(b, own.own(h.dir))
			b.StartTimer()

			initdb := exec.Command(bins.path("initdb"), "-D", h.data(), "-U", Superuser, "-A", "trust", "-E", "UTF8", "--no-locale")
			initdb.Dir, initdb.Env, initdb.SysProcAttr = h.dir, environment(), own.attr(0)
			out, err := initdb.CombinedOutput()
			require.NoError(b, err, "%s", out)
			s, err := startServer(context.Background(), h, bins, map[string]string{
				"listen_addresses": "", "unix_socket_directories": filepath.Join(h.dir, "data")}, slog.New(slog.DiscardHandler))
			require.NoError(b, err)

			b.StopTimer()
			s.killWithin(stopPatience)
			require.NoError(b, os.RemoveAll(h.dir))
			b.StartTimer()
		}
	})
	b.Run("first", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			dir := newTempDir(b)
			b.StartTimer()
			c, err := Start(context.Background(), Config{StateDir: dir})
			require.NoError(b, err)
			b.StopTimer()
			c.Kill()
			require.NoError(b, Remove(context.Background(), dir, ""))
			b.StartTimer()
		}
	})
	again := func(end func(testing.TB, *Cluster)) func(b *testing.B) {
		return func(b *testing.B) {
			cfg := Config{StateDir: newTempDir(b)}
			c, err := Start(context.Background(), cfg)
			require.NoError(b, err)
			for b.Loop() {
				b.StopTimer()
				execSQL(b, c, "create table if not exists kept (n int); insert into kept select generate_series(1, 10000)")
				end(b, c)
				b.StartTimer()
				c, err = Start(context.Background(), cfg)
				require.NoError(b, err)
			}
			c.Kill()
		}
	}
	b.Run("later", again(func(b testing.TB, c *Cluster) { require.NoError(b, c.Stop(context.Background())) }))
	b.Run("recovery", again(func(_ testing.TB, c *Cluster) { c.Kill() }))
}

// BenchmarkRoom is what asking before each command costs.
func BenchmarkRoom(b *testing.B) {
	c, err := Start(context.Background(), Config{StateDir: newTempDir(b), FastUnsafe: true})
	require.NoError(b, err)
	defer c.Kill()
	for b.Loop() {
		require.NoError(b, c.Room())
	}
}
