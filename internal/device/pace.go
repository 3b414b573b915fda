package device

import (
	"fmt"
	"net/netip"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/pace"
)

// How often, on each node. What is used up comes back at the rate of one in every interval.
const (
	mostAtOnce, oneEvery       = 30, 2 * time.Second  // announcements of one device
	mostShown, shownEvery      = 15, time.Second / 10 // readings of one device: as the hub takes them of one calibration, but before anything is looked up
	unknownTries, unknownEvery = 120, time.Second     // tokens that are none, from one address: only what they cost is bounded
)

// paces says who may try when. Devices whose token was good here lately are spared the wait of their address, which a shop's
// devices share, and behind a proxy all shops.
type paces struct {
	mu      sync.Mutex // guards what follows
	devices pace.Buckets[Device]
	shown   pace.Buckets[Device]
	unknown pace.Buckets[netip.Prefix]
	good    map[Hash]bool // tokens, by their hash
}

func newPaces() *paces {
	return &paces{
		devices: pace.Buckets[Device]{Most: mostAtOnce, Every: oneEvery},
		shown:   pace.Buckets[Device]{Most: mostShown, Every: shownEvery},
		unknown: pace.Buckets[netip.Prefix]{Most: unknownTries, Every: unknownEvery},
		good:    map[Hash]bool{},
	}
}

// announces uses up an announcement, or refuses it; who is refused uses up nothing.
func (p *paces) announces(of Device, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if wait := p.devices.Wait(of, now); wait > 0 {
		return fault.New(fault.TooMany, fmt.Sprintf("This interface announces too often. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	p.devices.Take(of, now)
	return nil
}

// shows uses up a showing of readings, or refuses it.
func (p *paces) shows(of Device, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown.Wait(of, now) > 0 {
		return fault.New(fault.TooMany, "A gateway shows readings at most 10 times a second. Send the newest ones then.")
	}
	p.shown.Take(of, now)
	return nil
}

// looks refuses to look for one more token from an address that brought too many that are none.
func (p *paces) looks(from netip.Prefix, hash Hash, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if wait := p.unknown.Wait(from, now); wait > 0 && !p.good[hash] {
		return fault.New(fault.TooMany, fmt.Sprintf("Too many tokens that are none. Try again in %d seconds.", pace.Seconds(wait))).After(wait)
	}
	return nil
}

// found notes what became of a token.
func (p *paces) found(from netip.Prefix, hash Hash, good bool, now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !good {
		p.unknown.Take(from, now)
		delete(p.good, hash)
		return
	}
	if len(p.good) >= pace.MostKept {
		clear(p.good)
	}
	p.good[hash] = true
}
