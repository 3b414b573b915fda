// Package pace says how often somebody may: token buckets by key, and what counts as one address.
//
// Who is refused uses up nothing and is told how long to wait; what was used up comes back at an even rate. At most MostKept
// buckets of one kind are kept, of a few megabytes: beyond that some are forgotten, which is lenient.
//
// Time is an argument. Nothing here may be used from many goroutines at once: whoever keeps Buckets guards them.
package pace

import (
	"maps"
	"net/netip"
	"time"
)

// MostKept is the most buckets of one kind.
const MostKept = 20_000

// Buckets are token buckets, one a key. A bucket is kept as the instant at which it will be full again, and not at all
// once it is.
type Buckets[K comparable] struct {
	Most   int           // tries at once
	Every  time.Duration // one comes back
	filled map[K]time.Time
	swept  time.Time
}

// Full reports whether nothing is used up.
func (b *Buckets[K]) Full(key K, now time.Time) bool { return b.FullIn(key, now) == 0 }

// FullIn is how long until nothing is used up.
func (b *Buckets[K]) FullIn(key K, now time.Time) time.Duration {
	return max(0, b.filled[key].Sub(now))
}

// Wait is how long until there is a try.
func (b *Buckets[K]) Wait(key K, now time.Time) time.Duration {
	if b.Full(key, now) {
		return 0
	}
	return max(0, b.filled[key].Sub(now)-time.Duration(b.Most-1)*b.Every)
}

// Take uses up a try.
func (b *Buckets[K]) Take(key K, now time.Time) {
	at, kept := b.filled[key]
	if !kept {
		b.room(now)
	}
	if at.Before(now) {
		at = now
	}
	b.filled[key] = at.Add(b.Every)
}

// GiveBack makes good for a try.
func (b *Buckets[K]) GiveBack(key K) {
	if at, kept := b.filled[key]; kept {
		b.filled[key] = at.Add(-b.Every)
	}
}

// Forget fills a bucket up.
func (b *Buckets[K]) Forget(key K) { delete(b.filled, key) }

// Kept is how many buckets are kept now.
func (b *Buckets[K]) Kept() int { return len(b.filled) }

// room makes place for one more: the full ones go, looked for once in an interval, else any one.
func (b *Buckets[K]) room(now time.Time) {
	if b.filled == nil {
		b.filled = map[K]time.Time{}
	}
	if len(b.filled) < MostKept {
		return
	}
	if now.Sub(b.swept) >= b.Every {
		b.swept = now
		maps.DeleteFunc(b.filled, func(_ K, at time.Time) bool { return !at.After(now) })
	}
	for key := range b.filled {
		if len(b.filled) < MostKept {
			return
		}
		delete(b.filled, key)
	}
}

// Origin is what counts as one address: an IPv4 address, or an IPv6 network of 64 bits, within which one subscriber
// chooses freely (RFC 4291, section 2.5.1; RFC 6177, section 2).
func Origin(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	from, _ := a.Prefix(bits) // an address that is not one is an origin of its own
	return from
}

// Seconds is a wait as people are told it: whole seconds, rounded up.
func Seconds(wait time.Duration) int { return int((wait + time.Second - 1) / time.Second) }
