package pace

import (
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestOrigin(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"192.0.2.1", "192.0.2.2", false},
		{"192.0.2.1", "::ffff:192.0.2.1", true}, // RFC 4291, section 2.5.5.2
		{"2001:db8:0:1::1", "2001:db8:0:1:ffff::", true},
		{"2001:db8:0:1::1", "2001:db8:0:2::1", false},
		{"fe80::1%a", "fe80::2%b", true},
	} {
		require.Equal(t, c.same, Origin(netip.MustParseAddr(c.a)) == Origin(netip.MustParseAddr(c.b)), "%s %s", c.a, c.b)
	}
	require.Equal(t, netip.Prefix{}, Origin(netip.Addr{}))
}

// TestAsCounted holds buckets against the textbook's token bucket: a level that sinks by one with each try and rises by one
// in each interval, up to the most. Intervals are whole units here, so the model is exact.
func TestAsCounted(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		const unit = time.Millisecond
		most, every := rapid.IntRange(1, 6).Draw(t, "most"), rapid.IntRange(1, 9).Draw(t, "every")
		b := Buckets[int]{Most: most, Every: time.Duration(every) * unit}
		now, used := time.Unix(1_800_000_000, 0), 0 // used: units until the bucket is full
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			gone := rapid.IntRange(0, 12).Draw(t, "gone")
			now, used = now.Add(time.Duration(gone)*unit), max(0, used-gone)
			want := time.Duration(max(0, used-(most-1)*every)) * unit
			require.Equal(t, want, b.Wait(1, now))
			require.Equal(t, used == 0, b.Full(1, now))
			require.True(t, b.Full(2, now), "another's")
			if want == 0 {
				b.Take(1, now)
				used += every
				if rapid.IntRange(0, 4).Draw(t, "given back") == 0 {
					b.GiveBack(1)
					used -= every
				}
			}
		}
	})
}

func TestSeconds(t *testing.T) {
	t.Parallel()
	for wait, want := range map[time.Duration]int{0: 0, 1: 1, time.Second: 1, time.Second + 1: 2} {
		require.Equal(t, want, Seconds(wait), wait)
	}
}
