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

	// How many of these are under way at once: a browser has six to a server, and a member some windows.
	mostUnderWay  = 32
	underWayAgain = time.Second

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
	busy   map[stream.Person]int // requests under way
}

// begin counts one more request of the member as under way, until done is called, or refuses it.
func (p *paces) begin(who stream.Person) (done func(), err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.busy[who] >= mostUnderWay {
		return nil, fault.New(fault.TooMany, fmt.Sprintf("You ask for more before %d answers were taken. Take those first.", mostUnderWay)).After(underWayAgain)
	}
	if p.busy == nil {
		p.busy = map[stream.Person]int{}
	}
	p.busy[who]++
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.busy[who]--; p.busy[who] == 0 {
			delete(p.busy, who)
		}
	}, nil
}

// take uses up a request, or refuses it; who is refused uses up nothing.
func (p *paces) take(who stream.Person, now time.Time) error {
	return p.use(&p.people, mostRequests, requestEvery, who, now, "You ask too often: %d requests in a second, after %d at once. Go on more slowly.")
}

// stop uses up one of the tries for what stops the work, or refuses it.
func (p *paces) stop(who stream.Person, now time.Time) error {
	return p.use(&p.stops, mostStops, stopEvery, who, now, "You stop too often: %d times in a second, after %d at once. What you sent before was heard.")
}

// use takes one of most from the member's bucket, which fills by one at each every. The refusal says how many fill it in a
// second, and how many it holds.
func (p *paces) use(of *pace.Buckets[stream.Person], most int, every time.Duration, who stream.Person, now time.Time, refusal string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	of.Most, of.Every = most, every
	if wait := of.Wait(who, now); wait > 0 {
		return fault.New(fault.TooMany, fmt.Sprintf(refusal, time.Second/every, most)).After(wait)
	}
	of.Take(who, now)
	return nil
}
