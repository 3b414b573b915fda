package live

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

// Follower is who sees a stream as it goes on, such as a connection. One Follower may follow many streams; its
// methods must then bear being called from many goroutines at once. Entry, Note and End are called by the streams'
// goroutines and must never block, nor call the hub.
type Follower interface {
	// Past gives an entry that there was before following began. It is called within Follow and may wait for room, not
	// longer than ctx.
	Past(ctx context.Context, e Event) error

	// Entry gives a new entry. False says that there is no room: the follower is ended with Slow and gets no more.
	Entry(e Event) bool

	// Note gives something that is true now and in no trail; the newest of a Key replaces one not sent yet. False says
	// that it, or the one it replaced, is lost, which harms nothing.
	Note(n Note) bool

	// End says that the following ended, and why. It is not called after Following.Close returned.
	End(ref stream.Ref, why Reason)
}

// Reason is why the hub ended a following.
type Reason string

const (
	Slow       Reason = "slow"         // could not keep up: connect again and follow from the last entry
	Leaving    Reason = "leaving"      // this server stops: the same, elsewhere
	Failed     Reason = "failed"       // the stream could not be read: the same, later
	OutOfSight Reason = "out-of-sight" // the stream is not the actor's to see any more
)

// Following is one Follower at one stream.
type Following struct {
	line     *line
	actor    stream.Actor // owned by the line's goroutine once joined
	follower Follower
	relation stream.Relation // owned by the line's goroutine
	register *line           // of the actor's organisation, held open to hear of its news; nil where it is line itself
	closed   atomic.Bool
}

// Close ends the following. It may be called at any time and more than once. A call to the follower that has begun by
// then may still be under way.
func (g *Following) Close() {
	if !g.closed.Swap(true) && g.line != nil {
		g.line.nudge()
	}
}

// Tell gives the others who take part a note that replaces this member's last one of that key. Only the owner's people
// and the desk that claimed the stream take part.
func (g *Following) Tell(key string, value []byte) error {
	const mostKey, mostValue = 64, 4096 // bytes
	if len(key) == 0 || len(key) > mostKey {
		return fault.Badly("key", fmt.Sprintf("1 to %d bytes", mostKey))
	}
	if len(value) > mostValue {
		return fault.New(fault.TooLarge, fmt.Sprintf("A note holds at most %d bytes.", mostValue))
	}
	if g.closed.Load() || g.line == nil {
		return access.NotHere()
	}
	if g.line.put(&tell{g, key, value}, stream.Own, false) != nil {
		g.line.hub.count.dropped.Add(1)
	}
	return nil
}

// Follow gives the follower every entry after the given one, once and in order: first those that there are, then each
// new one as it becomes durable. A desk whose claim is over gets what it had and is ended.
func (h *Hub) Follow(ctx context.Context, actor stream.Actor, ref stream.Ref, after uint64, f Follower) (*Following, error) {
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return nil, err
	}
	g := &Following{line: l, actor: actor, follower: f}
	for {
		j := &join{following: g, after: after, done: make(chan joined, 1)}
		if err := l.put(j, l.nearness(ctx, actor), false); err != nil {
			l.release()
			return nil, err
		}
		got, err := j.wait(ctx)
		switch {
		case err != nil: // the line lets go of what nobody waits for
			return nil, err
		case got.joined:
			return g, nil
		case got.err != nil:
			l.release()
			return nil, got.err
		}
		if after, err = h.past(ctx, l, g, got.relation, after); err != nil {
			l.release()
			return nil, err
		}
		if got.relation == stream.Ended {
			l.release()
			g.closed.Store(true)
			f.End(ref, OutOfSight)
			return g, nil
		}
	}
}

// past gives the follower the stored entries after the given one, and returns the number of the last.
func (h *Hub) past(ctx context.Context, l *line, g *Following, relation stream.Relation, after uint64) (uint64, error) {
	now := l.now.Load()
	for {
		records, err := h.sightOf(ctx, &now.fold, g.actor, relation, after, page)
		if err != nil {
			return after, err
		}
		for _, r := range records {
			ev := newEvent(r)
			if opens(relation) {
				ev = h.open(ctx, ev)
			}
			if err := g.follower.Past(ctx, ev); err != nil {
				return after, err
			}
			after = r.Seq
		}
		if after >= now.fold.Seq || relation == stream.Ended {
			return after, nil
		}
	}
}

// publish shows a new entry to the followers and ends those who see no more. The desk whose claim the entry ends still
// sees that one.
func (l *line) publish(ctx context.Context, ev Event) {
	if len(l.followers) == 0 {
		return
	}
	var open *Event
	changed := false
	for i := 0; i < len(l.followers); {
		g := l.followers[i]
		if g.closed.Load() {
			l.drop(i, "")
			changed = true
			continue
		}
		before := g.relation
		after, err := l.hub.relation(ctx, l.fold, g.actor)
		if err != nil {
			l.drop(i, Failed)
			changed = true
			continue
		}
		g.relation = after
		changed = changed || before != after
		ends := before == stream.Claimed && l.ref.Kind == stream.Calibration // a job is claimed by no entry of its own
		if ends || l.shows(after, g.actor) {
			seen := ev
			if opens(before) || opens(after) {
				if open == nil {
					o := l.hub.open(ctx, ev)
					open = &o
				}
				seen = *open
			}
			if !g.follower.Entry(seen) {
				l.hub.count.slow.Add(1)
				l.drop(i, Slow)
				changed = true
				continue
			}
		}
		if !l.shows(after, g.actor) {
			l.drop(i, OutOfSight)
			continue
		}
		i++
	}
	if changed {
		l.presence()
	}
}

// recheck ends followers who see no more because of what happened in another stream: in their own register, too, which
// says whether they still are members and what they may do.
func (l *line) recheck(ctx context.Context) {
	changed := false
	for i := 0; i < len(l.followers); {
		g := l.followers[i]
		actor, err := l.hub.Actor(ctx, g.actor.Org, g.actor.Member)
		retired := fault.Is(err, fault.SignInNeeded)
		var relation stream.Relation
		if err == nil {
			g.actor = actor
			relation, err = l.hub.relation(ctx, l.fold, actor)
		}
		switch {
		case retired:
			l.drop(i, OutOfSight)
			changed = true
			continue
		case err != nil:
			// The Store is away; what they saw so far they were to see.
		case !l.shows(relation, g.actor):
			l.drop(i, OutOfSight)
			changed = true
			continue
		default:
			changed = changed || g.relation != relation
			g.relation = relation
		}
		i++
	}
	if changed {
		l.presence()
	}
}

// sweep lets go of followers that have closed.
func (l *line) sweep() {
	before := len(l.followers)
	for i := 0; i < len(l.followers); {
		if l.followers[i].closed.Load() {
			l.drop(i, "")
			continue
		}
		i++
	}
	if len(l.followers) < before {
		l.presence()
	}
}

// drop lets go of follower i, and tells it the reason unless it left by itself.
func (l *line) drop(i int, why Reason) {
	g := l.followers[i]
	l.followers = slices.Delete(l.followers, i, i+1)
	l.heeded.Store(len(l.followers) > 0)
	if len(l.followers) == 0 {
		l.elsewhere = nil // nobody listens: it would grow old
		l.followedElsewhere.Store(false)
	}
	l.hub.count.followers.Add(-1)
	if !g.closed.Swap(true) && why != "" {
		g.follower.End(l.ref, why)
	}
	if g.register != nil {
		g.register.release()
	}
	l.release()
}
