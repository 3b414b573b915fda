package account

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/pace"
)

func addr(n int) netip.Addr {
	return netip.AddrFrom4([4]byte{198, 18, byte(n >> 8), byte(n)}) // RFC 2544: addresses for tests
}

// TestPaces tries until refused and looks how long the wait is, then that the wait as told is enough and not too much.
func TestPaces(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		who   func(i int) pair
		tries int
		every time.Duration
	}{
		"an address":            {func(i int) pair { return pair{pace.Origin(home), fmt.Sprint(i)} }, 10, 6 * time.Second},
		"an address and a name": {func(int) pair { return pair{pace.Origin(home), "ann"} }, 5, time.Minute},
		"a name, from addresses that failed with it": {func(i int) pair { return pair{pace.Origin(addr(i % 50)), "ann"} }, 100, 3 * time.Second},
	} {
		p, now := newPaces(), time.Now()
		for i := range c.tries {
			require.Zero(t, p.take(c.who(i), now), "%s: try %d", name, i)
		}
		for range 3 {
			require.Equal(t, c.every, p.take(c.who(c.tries), now), "%s: who is refused uses up nothing", name)
		}
		require.Equal(t, time.Nanosecond, p.take(c.who(c.tries), now.Add(c.every-1)), name)
		require.Zero(t, p.take(c.who(c.tries), now.Add(c.every)), name)
		require.NotZero(t, p.take(c.who(c.tries), now.Add(c.every)), name)
		day := now.Add(24 * time.Hour)
		for i := range c.tries {
			require.Zero(t, p.take(c.who(i), day), "%s: all of it comes back, and no more: try %d", name, i)
		}
		require.NotZero(t, p.take(c.who(c.tries), day), name)
	}
}

// TestOwnerOfTheName tries a name from everywhere for an hour: whoever it belongs to is let try from an address of their
// own all the while, and after a first failure in a minute, as they are told.
func TestOwnerOfTheName(t *testing.T) {
	t.Parallel()
	p, now := newPaces(), time.Now()
	for second := range 3600 {
		for i := range 20 {
			p.take(pair{pace.Origin(addr((20*second + i) % 500)), "ann"}, now)
		}
		owner := pair{pace.Origin(home), "ann"}
		require.Zero(t, p.take(owner, now), "second %d", second)
		p.giveBack(owner)
		now = now.Add(time.Second)
	}
	owner := pair{pace.Origin(home), "ann"}
	require.Zero(t, p.take(owner, now), "the mistyped one")
	require.Equal(t, pairEvery, p.take(owner, now))
	require.Zero(t, p.take(owner, now.Add(pairEvery)))
}

func TestSuccessIsGivenBack(t *testing.T) {
	t.Parallel()
	p, now := newPaces(), time.Now()
	for i := range 1000 {
		who := pair{pace.Origin(home), fmt.Sprint(i % 7)}
		require.Zero(t, p.take(who, now))
		p.giveBack(who)
	}
	require.Zero(t, p.pair.Kept())
}

// TestBucketsAreBounded comes from more addresses than are kept, at once and spread over time.
func TestBucketsAreBounded(t *testing.T) {
	t.Parallel()
	p, now := newPaces(), time.Now()
	for i := range pace.MostKept + 5000 {
		a := netip.AddrFrom16([16]byte{0x20, 0x01, 0x0d, 0xb8, 0, byte(i >> 16), byte(i >> 8), byte(i)}) // RFC 3849
		require.Zero(t, p.take(pair{pace.Origin(a), fmt.Sprint(i)}, now))
	}
	for _, n := range []int{p.address.Kept(), p.pair.Kept(), p.name.Kept()} {
		require.Equal(t, pace.MostKept, n)
	}
	require.Zero(t, p.take(pair{pace.Origin(home), "ann"}, now.Add(time.Hour)))
	require.Equal(t, 1, p.address.Kept(), "the full ones are forgotten")
}
