// Package live is the runtime heart: it turns commands into entries and entries into what followers see. It knows
// neither SQL nor sockets; the database is a Store and a connection is a Follower.
//
// Each stream that anyone uses is open: one goroutine owns its stream.Fold, decides its commands one after the other,
// has at most one entry on its way to the Store, and hands every entry that has become durable to the followers. Open
// streams read their entries on demand and close when idle. Other nodes do the same over the same Store; the primary
// key (stream, sequence number) decides between them, and the Bus tells who is behind. Over it nodes also tell each other
// who is present; a node that was silent for a while is taken for gone (cluster.go).
//
// Invariants. An entry is durable before anyone is told of it, and before its command is answered. A follower gets each
// entry once, in order and without a gap, or is ended. A command id has one answer for ever. A stream that is not the
// actor's to see behaves as one that does not exist. What is kept in memory is bounded; who finds no room is refused
// at once. Presence and other notes never enter the trail and never delay it.
//
// Concurrency. Everything exported may be called from many goroutines. A stream's goroutine waits for the Store and for
// other streams' values; while it waits for another stream's news it still takes in its own, so no circle of streams
// can block. States are shared between goroutines because no one ever changes one.
package live

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

// mostLoads is how many reads of entries run at once: what a lost bus connection makes every open stream want.
const mostLoads = 16

// mostTurns is how many callers of Read, Records, Bundle and View hold entries in memory at once, and turnWait how long
// another waits to be one of them.
const (
	mostTurns = 8
	turnWait  = 5 * time.Second
)

// Hub is the open streams of one node. Make it with New and end it with Shutdown.
type Hub struct {
	cfg     Config
	keys    keyring
	clock   clock
	count   counters
	cluster cluster
	loads   chan struct{} // a token for each read under way
	turns   chan struct{} // a token for each who reads a stream's entries to the end

	hard     context.Context // ends when Shutdown loses patience
	kill     context.CancelFunc
	stopping chan struct{} // closed when Shutdown begins
	running  sync.WaitGroup

	mu      sync.Mutex // guards what follows
	lines   map[stream.Ref]*line
	stopped bool
}

// New starts a hub. A Config without a Store, Keys or Rules is a mistake of the programmer's.
func New(cfg Config) *Hub {
	if cfg.Store == nil || cfg.Keys == nil || len(cfg.Rules) == 0 {
		panic("live: a hub needs a Store, Keys and Rules")
	}
	cfg.defaults()
	h := &Hub{
		cfg: cfg, loads: make(chan struct{}, mostLoads), turns: make(chan struct{}, mostTurns),
		stopping: make(chan struct{}), lines: map[stream.Ref]*line{},
	}
	h.hard, h.kill = context.WithCancel(context.Background())
	h.keys = keyring{store: cfg.Store, unwrap: cfg.Keys.Unwrap, age: cfg.KeyAge, held: map[stream.ID]heldKey{}}
	h.clock = clock{store: cfg.Store, local: cfg.Now, every: cfg.ClockEvery, compared: make(chan struct{})}
	h.running.Go(func() { h.clock.run(h.hard, h.stopping) })
	if cfg.Bus != nil {
		h.running.Go(h.listen)
	}
	return h
}

// line returns the open stream, opening it if need be, with its first entries still on their way (see line.arrived).
// The caller is one of its users until it calls release.
func (h *Hub) line(ref stream.Ref) (*line, error) {
	rules, ok := h.cfg.Rules[ref.Kind]
	if !ok {
		return nil, access.NotHere()
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.stopped {
		return nil, leaving()
	}
	l := h.lines[ref]
	if l == nil {
		if len(h.lines) >= h.cfg.MostOpen && !h.evict() {
			return nil, fault.New(fault.TooMany, "As many streams are in use here as this server has room for. Try again shortly.")
		}
		l = newLine(h, rules, ref.ID)
		h.lines[ref] = l
		h.running.Go(l.run)
	}
	l.users.Add(1)
	l.touched.Store(true)
	return l, nil
}

// arrive is line, and waits until the stream's first entries are read.
func (h *Hub) arrive(ctx context.Context, ref stream.Ref) (*line, error) {
	l, err := h.line(ref)
	if err != nil {
		return nil, err
	}
	if err := l.arrived(ctx); err != nil {
		l.release()
		return nil, err
	}
	return l, nil
}

// evict closes one stream that nobody uses, if a look at some finds one. Called with mu held.
func (h *Hub) evict() bool {
	const looks = 128
	n := 0
	for _, l := range h.lines {
		if l.users.Load() == 0 {
			h.forget(l)
			close(l.unwanted)
			return true
		}
		if n++; n == looks {
			break
		}
	}
	return false
}

// forget takes the stream out of the open ones, if it is the one that is there. Called with mu held.
func (h *Hub) forget(l *line) {
	if h.lines[l.ref] == l {
		delete(h.lines, l.ref)
	}
}

func (h *Hub) wake(ids []stream.ID) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(ids) == 0 {
		for _, l := range h.lines {
			l.wake()
		}
		return
	}
	for _, id := range ids {
		for kind := range h.cfg.Rules {
			if l := h.lines[stream.Ref{Kind: kind, ID: id}]; l != nil {
				l.wake()
			}
		}
	}
}

// review has every stream that is followed look at its followers again, because a register changed: members may be
// retired or have other roles, agreements may have ended.
func (h *Hub) review() {
	h.eachHeeded(func(l *line) {
		l.review.Store(true)
		l.nudge()
	})
}

// Shutdown takes no new commands, lets the one that each stream is at finish, ends all followers with Leaving and
// returns when everything has stopped. When ctx ends first, it gives up on the Store, waits for that and returns ctx's
// error; a command that was on its way then has an outcome that only the Store knows.
func (h *Hub) Shutdown(ctx context.Context) error {
	h.mu.Lock()
	if !h.stopped {
		h.stopped = true
		close(h.stopping)
	}
	h.mu.Unlock()
	ended := make(chan struct{})
	go func() {
		h.running.Wait()
		close(ended)
	}()
	var err error
	select {
	case <-ended:
	case <-ctx.Done():
		err = ctx.Err()
		h.kill()
		<-ended
	}
	h.kill()
	return err
}

// Ready is nil when commands can be taken, and says why not otherwise.
func (h *Hub) Ready() error {
	select {
	case <-h.stopping:
		return leaving()
	default:
	}
	if err := h.clock.fit(); err != nil || h.cfg.Fit == nil {
		return err
	}
	return h.cfg.Fit()
}

// Settled waits for the first comparison of the clocks, before which no command is taken, and is then what Ready is.
func (h *Hub) Settled(ctx context.Context) error {
	if err := h.compared(ctx); err != nil {
		return err
	}
	return h.Ready()
}

func (h *Hub) compared(ctx context.Context) error {
	select {
	case <-h.clock.compared:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Urgent reports whether commands of the type go ahead of those that wait.
func (h *Hub) Urgent(typ string) bool { return h.cfg.Urgent[typ] }

// Stats is what a hub has and did since it was made.
type Stats struct {
	Open      int    // streams open now
	Followers int64  // following now
	Accepted  uint64 // commands that made an entry
	Repeated  uint64 // commands sent again, given their first answer
	Refused   uint64 // commands refused
	Lost      uint64 // entries that another node was faster with
	Unsure    uint64 // appends sent again because their outcome was unknown
	Slow      uint64 // followers ended because they could not keep up
	Live      uint64 // live readings computed
	Dropped   uint64 // notes and live readings that were not delivered
}

type counters struct {
	followers                                                      atomic.Int64
	accepted, repeated, refused, lost, unsure, slow, live, dropped atomic.Uint64
}

// Stats may be called at any time.
func (h *Hub) Stats() Stats {
	h.mu.Lock()
	open := len(h.lines)
	h.mu.Unlock()
	c := &h.count
	return Stats{
		Open: open, Followers: c.followers.Load(), Accepted: c.accepted.Load(), Repeated: c.repeated.Load(),
		Refused: c.refused.Load(), Lost: c.lost.Load(), Unsure: c.unsure.Load(), Slow: c.slow.Load(), Live: c.live.Load(), Dropped: c.dropped.Load(),
	}
}

func leaving() error {
	return fault.New(fault.NotReady, "This server is stopping. Connect again and send the same once more.")
}

// unavailable is a failing Store as callers see it.
func unavailable(err error) error {
	if fault.Is(err, fault.NotReady) {
		return err
	}
	return fault.New(fault.NotReady, "The database does not answer at the moment. Try the same again.").Because(err)
}
