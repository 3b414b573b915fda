package account

import (
	"maps"
	"net/netip"
	"sync"
	"time"
)

// How often somebody may try. What is used up comes back at the rate of one in every interval.
const (
	addressTries, addressEvery = 10, 6 * time.Second  // from one address: ten a minute
	pairTries, pairEvery       = 5, time.Minute       // from one address with one name
	nameTries, nameEvery       = 100, 3 * time.Second // with one name, from wherever

	unknownTries, unknownEvery = 120, time.Second // tokens that are none, from one address: only what they cost is bounded

	mostKept = 20_000 // buckets of one kind, a few megabytes
)

// pair is one address trying one name.
type pair struct {
	from netip.Prefix
	name string
}

// paces says who may try when. A try that succeeds is given back, so in the long run only failures count. It keeps no
// secrets and tells nothing of whether a name exists. It may be used from many goroutines.
//
// Nobody can lock somebody else out: used-up tries of a name hold back only addresses that failed with it lately. A
// person's first try from an address that others do not share always counts.
type paces struct {
	mu      sync.Mutex
	address buckets[netip.Prefix]
	pair    buckets[pair]
	name    buckets[string]
}

func newPaces() *paces {
	return &paces{
		address: buckets[netip.Prefix]{most: addressTries, every: addressEvery},
		pair:    buckets[pair]{most: pairTries, every: pairEvery},
		name:    buckets[string]{most: nameTries, every: nameEvery},
	}
}

// take uses up a try, or says how long to wait for one; who is refused uses up nothing.
func (p *paces) take(who pair, now time.Time) (wait time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	wait = max(p.address.wait(who.from, now), p.pair.wait(who, now))
	if !p.pair.full(who, now) {
		wait = max(wait, p.name.wait(who.name, now))
	}
	if wait > 0 {
		return wait
	}
	p.address.take(who.from, now)
	p.pair.take(who, now)
	p.name.take(who.name, now)
	return 0
}

// giveBack makes good for a try that succeeded: whoever knows the password has not been guessing.
func (p *paces) giveBack(who pair) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.address.giveBack(who.from)
	p.name.giveBack(who.name)
	delete(p.pair.filled, who)
}

// buckets are token buckets, one a key. A bucket is kept as the instant at which it will be full again, and not at all
// once it is.
type buckets[K comparable] struct {
	most   int
	every  time.Duration
	filled map[K]time.Time
	swept  time.Time
}

func (b *buckets[K]) full(key K, now time.Time) bool { return !b.filled[key].After(now) }

// wait is how long until there is a try.
func (b *buckets[K]) wait(key K, now time.Time) time.Duration {
	if b.full(key, now) {
		return 0
	}
	return max(0, b.filled[key].Sub(now)-time.Duration(b.most-1)*b.every)
}

func (b *buckets[K]) take(key K, now time.Time) {
	at, kept := b.filled[key]
	if !kept {
		b.room(now)
	}
	if at.Before(now) {
		at = now
	}
	b.filled[key] = at.Add(b.every)
}

func (b *buckets[K]) giveBack(key K) {
	if at, kept := b.filled[key]; kept {
		b.filled[key] = at.Add(-b.every)
	}
}

// room makes place for one more: the full ones go, looked for once in an interval, else any one. Forgetting is lenient,
// but what it lets through still waits in line.
func (b *buckets[K]) room(now time.Time) {
	if b.filled == nil {
		b.filled = map[K]time.Time{}
	}
	if len(b.filled) < mostKept {
		return
	}
	if now.Sub(b.swept) >= b.every {
		b.swept = now
		maps.DeleteFunc(b.filled, func(_ K, at time.Time) bool { return !at.After(now) })
	}
	for key := range b.filled {
		if len(b.filled) < mostKept {
			return
		}
		delete(b.filled, key)
	}
}

// paced counts failures by origin. It may be used from many goroutines.
type paced struct {
	mu      sync.Mutex
	buckets buckets[netip.Prefix]
}

func newPaced() paced {
	return paced{buckets: buckets[netip.Prefix]{most: unknownTries, every: unknownEvery}}
}

func (p *paced) wait(from netip.Prefix) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.buckets.wait(from, time.Now())
}

func (p *paced) take(from netip.Prefix) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.buckets.take(from, time.Now())
}

// origin is what counts as one address: an IPv4 address, or an IPv6 network of 64 bits, within which one subscriber
// chooses freely (RFC 4291, section 2.5.1; RFC 6177, section 2).
func origin(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := a.BitLen()
	if a.Is6() {
		bits = 64
	}
	from, _ := a.Prefix(bits) // an address that is not one is an origin of its own
	return from
}
