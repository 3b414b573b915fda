package local

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkStart measures the starts of a cluster that is there: after a stop and after a kill. The first start is
// compared in package bench.
func BenchmarkStart(b *testing.B) {
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
