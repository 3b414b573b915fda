package account

import (
	"net/netip"
	"sync"
	"time"

	"readback/internal/pace"
	"readback/internal/session"
)

// How often somebody may try. What is used up comes back at the rate of one in every interval.
const (
	addressTries, addressEvery = 10, 6 * time.Second  // from one address: ten a minute
	pairTries, pairEvery       = 5, time.Minute       // from one address with one name
	nameTries, nameEvery       = 100, 3 * time.Second // with one name, from wherever

	unknownTries, unknownEvery = 120, time.Second // tokens that are none, from one address: only what they cost is bounded
)

// pair is one address trying one name.
type pair struct {
	from netip.Prefix
	name string
}

// paces says who may try when. A try that succeeds is given back, so in the long run only failures count. It keeps no
// secrets and tells nothing of whether a name exists. It may be used from many goroutines.
//
// Nobody can lock somebody else out: used-up tries of a name hold back only addresses that failed with it lately, for a
// minute a failure. A person's first try from an address that others do not share always counts.
type paces struct {
	mu      sync.Mutex
	address pace.Buckets[netip.Prefix]
	pair    pace.Buckets[pair]
	name    pace.Buckets[string]
}

func newPaces() *paces {
	return &paces{
		address: pace.Buckets[netip.Prefix]{Most: addressTries, Every: addressEvery},
		pair:    pace.Buckets[pair]{Most: pairTries, Every: pairEvery},
		name:    pace.Buckets[string]{Most: nameTries, Every: nameEvery},
	}
}

// take uses up a try, or says how long to wait for one; who is refused uses up nothing.
func (p *paces) take(who pair, now time.Time) (wait time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	wait = max(p.address.Wait(who.from, now), p.pair.Wait(who, now))
	wait = max(wait, min(p.name.Wait(who.name, now), p.pair.FullIn(who, now)))
	if wait > 0 {
		return wait
	}
	p.address.Take(who.from, now)
	p.pair.Take(who, now)
	p.name.Take(who.name, now)
	return 0
}

// giveBack makes good for a try that succeeded: whoever knows the password has not been guessing.
func (p *paces) giveBack(who pair) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.address.GiveBack(who.from)
	p.name.GiveBack(who.name)
	p.pair.Forget(who)
}

// paced counts failures by origin. It may be used from many goroutines.
type paced struct {
	mu      sync.Mutex
	buckets pace.Buckets[netip.Prefix]
}

func newPaced() paced {
	return paced{buckets: pace.Buckets[netip.Prefix]{Most: unknownTries, Every: unknownEvery}}
}

func (p *paced) wait(from netip.Prefix) time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.buckets.Wait(from, time.Now())
}

func (p *paced) take(from netip.Prefix) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.buckets.Take(from, time.Now())
}

// mostGiven is how many of the newest refresh tokens a node knows again without asking the store, some megabytes of hashes.
const mostGiven = 2 * pace.MostKept

// given are the refresh tokens that this node gave out last: the newest half for certain. It may be used from many goroutines.
type given struct {
	mu           sync.Mutex
	newer, older map[session.Hash]struct{}
}

func (g *given) add(h session.Hash) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.newer == nil || len(g.newer) >= mostGiven/2 {
		g.newer, g.older = map[session.Hash]struct{}{}, g.newer
	}
	g.newer[h] = struct{}{}
}

func (g *given) has(h session.Hash) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	_, newer := g.newer[h]
	_, older := g.older[h]
	return newer || older
}
