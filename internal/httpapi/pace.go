package httpapi

import (
	"fmt"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/pace"
	"readback/internal/stream"
)

// How many requests of one member a node takes, whatever they ask for: as many commands a second as one connection may
// send, after a store for a page that asks for much at once. People at their screens make some tens a minute.
const (
	mostRequests = 1000
	requestEvery = 20 * time.Millisecond

	// What stops the work has tries of its own beside these, more than anybody presses.
	mostStops = 200
	stopEvery = 100 * time.Millisecond
)

// paces keeps one member's loop from slowing everybody else's requests. The zero value is ready; it may be used from many
// goroutines.
type paces struct {
	mu     sync.Mutex
	people pace.Buckets[stream.Person] // guarded by mu, as are
	stops  pace.Buckets[stream.Person]
}

// take uses up a request, or refuses it; who is refused uses up nothing.
func (p *paces) take(who stream.Person, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.people.Most, p.people.Every = mostRequests, requestEvery
	if wait := p.people.Wait(who, now); wait > 0 {
		return fault.New(fault.TooMany, fmt.Sprintf("You ask too often: %d requests in a second, after %d at once. Go on more slowly.",
			time.Second/requestEvery, mostRequests)).After(wait)
	}
	p.people.Take(who, now)
	return nil
}

// stop uses up one of the tries for what stops the work, or refuses it.
func (p *paces) stop(who stream.Person, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stops.Most, p.stops.Every = mostStops, stopEvery
	if wait := p.stops.Wait(who, now); wait > 0 {
		return fault.New(fault.TooMany, fmt.Sprintf("You stop too often: %d times in a second, after %d at once. What you sent before was heard.",
			time.Second/stopEvery, mostStops)).After(wait)
	}
	p.stops.Take(who, now)
	return nil
}
