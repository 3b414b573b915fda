package wsconn

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestABucketLetsItsRatePass(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	b := newBucket(2, 3)
	count := func(at time.Duration) (n int) {
		for b.take(start.Add(at)) == 0 {
			n++
		}
		return n
	}
	require.Equal(t, 3, count(0), "the burst")
	require.Equal(t, 500*time.Millisecond, b.take(start), "then one in half a second")
	require.Equal(t, 1, count(500*time.Millisecond))
	require.Equal(t, 2, count(1500*time.Millisecond))
	require.Equal(t, 3, count(time.Hour), "no more than the burst is saved up")
}

// docs/protocol.md names the defaults.
func TestTheDocumentNamesTheLimits(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../docs/protocol.md")
	require.NoError(t, err)
	l := Limits{}.filled()
	require.Equal(t, 1<<20, l.OutboxBytes)
	require.Equal(t, 20, l.Garbage)
	for _, text := range []string{
		fmt.Sprintf("any number of streams (%d by default)", l.Follows),
		fmt.Sprintf("%d connections for one member; %d commands a second for one connection, %d at once, and %d waiting",
			l.PerMember, l.CommandsPerSecond, l.CommandBurst, l.Pending),
		fmt.Sprintf("More than %d messages a second", l.FramesPerSecond),
		"twenty in a row", "1 MiB or 2,048 messages",
		fmt.Sprintf("first, within %.0f s", l.HelloWait.Seconds()),
		fmt.Sprintf("%.0f s without a pong", l.PongWait.Seconds()),
	} {
		require.Contains(t, string(raw), text)
	}
	require.Equal(t, 2048, l.OutboxMessages)
}
