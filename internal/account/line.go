package account

import (
	"context"
	"net/netip"
	"slices"
	"sync"
)

const (
	atOnce       = 2   // passwords hashed at the same time, 64 MiB each
	mostWaiting  = 100 // sign-ins that wait for that, a few seconds' worth
	mostOfOrigin = 20  // of them from one address
)

// line is where sign-ins wait for their turn to be hashed, which bounds the memory that takes. There is one line an
// origin, and the origins take turns: however many wait from one, those of another come next. It may be used from many
// goroutines.
type line struct {
	mu      sync.Mutex
	busy    int
	count   int // who waits, over all origins
	waiting map[netip.Prefix][]*waiter
	order   []netip.Prefix // those with somebody waiting, the next first
}

// waiter hears once, true when it is its turn and false when it had to give way.
type waiter struct{ turn chan bool }

func newLine() *line { return &line{waiting: map[netip.Prefix][]*waiter{}} }

// enter waits for a turn, which the caller ends with leave. It gives false when too many wait, and the context's error
// when that ends first.
func (l *line) enter(ctx context.Context, from netip.Prefix) (bool, error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	l.mu.Lock()
	if l.busy < atOnce { // then nobody waits
		l.busy++
		l.mu.Unlock()
		return true, nil
	}
	if len(l.waiting[from]) >= mostOfOrigin || l.count >= mostWaiting && !l.giveWay(from) {
		l.mu.Unlock()
		return false, nil
	}
	w := &waiter{turn: make(chan bool, 1)}
	if len(l.waiting[from]) == 0 {
		l.order = append(l.order, from)
	}
	l.waiting[from] = append(l.waiting[from], w)
	l.count++
	l.mu.Unlock()

	select {
	case turn := <-w.turn:
		return turn, nil
	case <-ctx.Done():
	}
	l.mu.Lock()
	at := slices.Index(l.waiting[from], w)
	if at >= 0 {
		l.remove(from, at)
	}
	l.mu.Unlock()
	if at < 0 && <-w.turn { // the turn came at the same moment: the next one has it
		l.leave()
	}
	return false, ctx.Err()
}

// leave ends a turn and gives it to the next.
func (l *line) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.order) == 0 {
		l.busy--
		return
	}
	from := l.order[0]
	w := l.waiting[from][0]
	l.remove(from, 0)
	if len(l.waiting[from]) > 0 { // behind all others
		l.order = append(l.order[1:], from)
	}
	w.turn <- true
}

// giveWay sends the last of the longest line away for a newcomer with nobody waiting.
func (l *line) giveWay(newcomer netip.Prefix) bool {
	if len(l.waiting[newcomer]) > 0 {
		return false
	}
	var longest netip.Prefix
	most := 1 // an origin keeps its only one
	for from, all := range l.waiting {
		if len(all) > most {
			longest, most = from, len(all)
		}
	}
	if most == 1 {
		return false
	}
	w := l.waiting[longest][most-1]
	l.remove(longest, most-1)
	w.turn <- false
	return true
}

func (l *line) remove(from netip.Prefix, at int) {
	l.count--
	if l.waiting[from] = slices.Delete(l.waiting[from], at, at+1); len(l.waiting[from]) == 0 {
		delete(l.waiting, from)
		l.order = slices.DeleteFunc(l.order, func(o netip.Prefix) bool { return o == from })
	}
}
