package live

import (
	"context"
	"fmt"
	"sync/atomic"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

// join is a following that wants to begin.
type join struct {
	following *Following
	after     uint64
	done      chan joined // holds one
	settled   atomic.Bool // answered, or given up: whoever sets it decides which
}

// joined says that the following began, or why not; neither means that entries are missing that are not at hand.
type joined struct {
	joined   bool
	relation stream.Relation
	err      error
}

func (j *join) wait(ctx context.Context) (joined, error) {
	l := j.following.line
	select {
	case got := <-j.done:
		return got, nil
	case <-l.done:
	case <-ctx.Done():
		if !j.settled.Swap(true) {
			return joined{}, ctx.Err()
		}
		return <-j.done, nil
	}
	select {
	case got := <-j.done:
		return got, nil
	default:
		return joined{err: l.ended()}, nil
	}
}

func (j *join) refuse(err error) { j.answer(joined{err: err}) }

// answer reports whether anyone waits for it.
func (j *join) answer(got joined) bool {
	if j.settled.Swap(true) {
		return false
	}
	j.done <- got
	return true
}

func (j *join) run(l *line) {
	l.inTime(func(ctx context.Context) {
		if j.settled.Load() {
			l.release()
			return
		}
		got := l.begin(ctx, j)
		if j.answer(got) {
			return
		}
		if got.joined {
			j.following.closed.Store(true)
			l.sweep()
		} else {
			l.release()
		}
	})
}

// begin takes the follower in, if nothing is missing in between. It runs in the line's goroutine, so nothing can be
// added meanwhile.
func (l *line) begin(ctx context.Context, j *join) joined {
	g := j.following
	relation, err := l.hub.relation(ctx, l.fold, g.actor)
	if err == nil && (!l.shows(relation, g.actor) || j.after > l.fold.Seq) {
		// By what this node knows; another may know more.
		if err = l.catchUp(ctx); err == nil {
			relation, err = l.hub.relation(ctx, l.fold, g.actor)
		}
	}
	if err == nil {
		err = access.Check(g.actor, relation, l.ref.Kind, access.See)
	}
	switch {
	case err != nil:
		return joined{err: err}
	case j.after > l.fold.Seq:
		return joined{err: fault.Badly("after", fmt.Sprintf("the number of an entry that exists, at most %d", l.fold.Seq))}
	case relation == stream.Ended:
		return joined{relation: relation}
	case len(l.followers) >= share(l.hub.cfg.MostFollowers, relation):
		return joined{err: fault.New(fault.TooMany, "As many follow this already as there is room for.")}
	case l.fold.Seq-j.after > uint64(len(l.recent)):
		return joined{relation: relation}
	}
	for _, ev := range l.recent[uint64(len(l.recent))-(l.fold.Seq-j.after):] {
		if opens(relation) {
			ev = l.hub.open(ctx, ev)
		}
		if !g.follower.Entry(ev) {
			l.hub.count.slow.Add(1)
			return joined{err: fault.New(fault.TooMany, "The messages before were not read yet. Read them, then follow again.")}
		}
	}
	if register := (stream.Ref{Kind: stream.Register, ID: g.actor.Org}); register != l.ref {
		if g.register, err = l.hub.arrive(ctx, register); err != nil {
			return joined{err: err}
		}
	}
	g.relation = relation
	l.followers = append(l.followers, g)
	l.heeded.Store(true)
	l.hub.count.followers.Add(1)
	l.tellPresence(len(l.followers) == 1) // whoever is first does not know yet who is elsewhere
	l.showPresence()
	return joined{joined: true, relation: relation}
}
