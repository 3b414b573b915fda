package live

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// line is one open stream. Its goroutine, run, owns the fold and the followers.
type line struct {
	hub   *Hub
	ref   stream.Ref
	rules stream.Rules

	mail     chan task     // never closed
	urgent   chan task     // the same, and taken first
	poke     chan struct{} // something for attend; holds one
	unwanted chan struct{} // closed by who took the line out of the hub's open ones
	ready    chan struct{} // closed once the first entries are folded, or openErr is set
	openErr  error
	done     chan struct{} // closed when run has ended; endErr, if any, is set before
	endErr   error

	users             atomic.Int64 // who holds the line open; followers too
	touched           atomic.Bool  // used since the last tick
	behind            atomic.Bool  // the bus says that there is more
	review            atomic.Bool  // a register changed: followers may see no more
	heeded            atomic.Bool  // someone follows
	followedElsewhere atomic.Bool  // somebody on another node takes part
	retell            atomic.Bool  // other nodes are to be told, and asked, who takes part
	silence           atomic.Bool  // unheardS has changed
	now               atomic.Pointer[moment]

	turns liveTurns

	filling sync.Mutex // held while a task is put, so that none is put beyond its share

	unheardS atomic.Int64 // for how long nothing was heard of who is in charge, in seconds; 0: they are heard of

	mu    sync.Mutex // guards what follows
	asked *look
	heard map[heardNote][]byte // what other nodes told, until attend takes it

	// run's own
	fold      *stream.Fold
	bytes     int     // of all entries folded
	recent    []Event // the newest, oldest first
	followers []*Following
	elsewhere map[Node][]Present // who takes part on other nodes
	told      []byte             // what was told of who takes part here; nil: nothing
	shown     liveHead           // of the last live value, until it is out of date
	stale     *time.Timer        // nudges when that is
}

// moment is a line at one sequence number, for reading by anyone. Of its fold only what the entries made of the stream
// may be used (State, Seq, Head, Opens, Fact): the maps in it go on.
type moment struct {
	fold   stream.Fold
	actors sync.Map // members looked up, by id
}

func newLine(h *Hub, rules stream.Rules, id stream.ID) *line {
	l := &line{
		hub: h, rules: rules, ref: stream.Ref{Kind: rules.Kind(), ID: id}, fold: stream.NewFold(rules, id),
		mail: make(chan task, h.cfg.MostWaiting), urgent: make(chan task, h.cfg.MostWaiting), poke: make(chan struct{}, 1),
		unwanted: make(chan struct{}), ready: make(chan struct{}), done: make(chan struct{}),
	}
	l.now.Store(&moment{fold: *l.fold})
	return l
}

func (l *line) run() {
	defer l.end()
	ctx, cancel := context.WithTimeout(l.hub.hard, l.hub.cfg.Patience)
	l.guarded(func() { l.openErr = l.catchUp(ctx) })
	cancel()
	if l.endErr != nil {
		l.openErr = l.endErr
	}
	close(l.ready)
	if l.openErr != nil {
		l.endErr = l.openErr
		return
	}
	tick := time.NewTicker(l.hub.cfg.IdleAfter)
	defer tick.Stop()
	for ahead := 0; l.endErr == nil; {
		select {
		case <-l.hub.stopping:
			return
		default:
		}
		if ahead < mostAhead {
			select {
			case t := <-l.urgent:
				ahead++
				l.guarded(func() { t.run(l) })
				continue
			default:
			}
		} else {
			select {
			case t := <-l.mail:
				l.guarded(func() { t.run(l) })
			default:
			}
		}
		ahead = 0
		select {
		case t := <-l.urgent:
			l.guarded(func() { t.run(l) })
		case t := <-l.mail:
			l.guarded(func() { t.run(l) })
		case <-l.poke:
			l.guarded(func() { l.inTime(l.attend) })
		case <-tick.C:
			if !l.touched.Swap(false) && l.retire() {
				return
			}
			l.retell.Store(l.heeded.Load()) // what was lost is told again
			l.guarded(func() { l.inTime(l.recheck) })
			l.nudge()
		case <-l.unwanted:
			return
		case <-l.hub.stopping:
			return
		}
		if l.fold.Seq == 0 && l.retire() {
			return // nothing there: not worth remembering
		}
	}
}

// guarded runs work and ends the line if that panics, so that a mistake in one kind's rules costs one stream what waits
// for it, and not everyone the server. The stream is read anew when it is used next.
func (l *line) guarded(work func()) {
	defer func() {
		if p := recover(); p != nil {
			l.hub.cfg.Log.Error("stream panicked", "stream", l.ref.String(), "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
			l.endErr = fault.New(fault.InternalFault, "Something went wrong in this "+string(l.ref.Kind)+". It was logged.").
				Because(fmt.Errorf("panic: %v", p))
		}
	}()
	work()
}

// inTime runs work that is nobody's in particular.
func (l *line) inTime(work func(context.Context)) {
	ctx, cancel := context.WithTimeout(l.hub.hard, l.hub.cfg.Patience)
	defer cancel()
	work(ctx)
}

// retire takes the line out of the open ones, unless someone uses it.
func (l *line) retire() bool {
	l.hub.mu.Lock()
	defer l.hub.mu.Unlock()
	if l.users.Load() > 0 || len(l.mail)+len(l.urgent) > 0 {
		return false
	}
	l.hub.forget(l)
	return true
}

// end refuses what still waits and ends the followers. What is put into the mail afterwards nobody reads; who did it
// waits for done too.
func (l *line) end() {
	l.hub.mu.Lock()
	l.hub.forget(l)
	l.hub.mu.Unlock()
	reason, err := Leaving, leaving()
	if l.endErr != nil {
		reason, err = Failed, l.endErr
	}
	for more := true; more; {
		select {
		case t := <-l.mail:
			t.refuse(err)
		case t := <-l.urgent:
			t.refuse(err)
		default:
			more = false
		}
	}
	for len(l.followers) > 0 {
		l.drop(0, reason)
	}
	l.tellPresence(false)
	if l.stale != nil {
		l.stale.Stop()
	}
	l.mu.Lock()
	k := l.asked
	l.asked = nil
	l.mu.Unlock()
	if k != nil {
		k.err = err
		close(k.done)
	}
	close(l.done)
}

// release says that a user of the line is gone.
func (l *line) release() {
	if l.users.Add(-1) == 0 && l.now.Load().fold.Seq == 0 {
		l.nudge()
	}
}

func (l *line) nudge() {
	select {
	case l.poke <- struct{}{}:
	default:
	}
}

func (l *line) wake() {
	l.behind.Store(true)
	l.nudge()
}

// arrived waits until the line's first entries are folded.
func (l *line) arrived(ctx context.Context) error {
	select {
	case <-l.ready:
		return l.openErr
	default:
	}
	select {
	case <-l.ready:
		return l.openErr
	case <-ctx.Done():
		return ctx.Err()
	}
}

// ended is why a line that has ended did not do what it was asked.
func (l *line) ended() error {
	if l.endErr != nil {
		return l.endErr
	}
	return leaving()
}

// attend does what a poke may stand for: followers that are gone or see no more, news in the Store, looks, what other
// nodes tell.
func (l *line) attend(ctx context.Context) {
	l.sweep()
	if l.review.Swap(false) {
		l.recheck(ctx)
	}
	l.readNews(ctx)
	for key, value := range l.takeHeard() {
		switch key.key {
		case PresenceKey:
			l.hearPresence(key.node, value)
		case LiveKey:
			l.hearLive(ctx, value)
		}
	}
	l.endLive()
	if l.silence.Swap(false) {
		l.showPresence()
	}
	if l.retell.Swap(false) {
		l.tellPresence(true)
	}
}

// show makes the entry just folded visible.
func (l *line) show(ctx context.Context, r trail.Record) {
	l.now.Store(&moment{fold: *l.fold})
	l.bytes += len(r.Body)
	ev := newEvent(r)
	if len(l.recent) >= l.hub.cfg.MostRecent {
		copy(l.recent, l.recent[1:])
		l.recent[len(l.recent)-1] = ev
	} else {
		l.recent = append(l.recent, ev)
	}
	l.publish(ctx, ev)
	if l.ref.Kind == stream.Register {
		l.hub.review()
		if l.hub.cfg.Changed != nil {
			l.hub.cfg.Changed(l.ref.ID)
		}
	}
}
