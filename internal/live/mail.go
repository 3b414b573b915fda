package live

import (
	"context"

	"readback/internal/fault"
	"readback/internal/stream"
)

// task is work for a line's goroutine. Exactly one of its methods is called, at most once.
type task interface {
	run(l *line)
	refuse(err error)
}

// mostAhead is how many urgent tasks in a row go ahead of one that waits: more than people have to say at once, and a loop that
// says stop for ever still keeps nobody from working.
const mostAhead = 8

// share is how much of most, places to wait or to follow, may be taken when it is somebody of that relation who comes: the
// last quarter is the stream's own people's, the one before it theirs and the claiming desk's. So whoever only looks on, or
// was here once and knows the id, cannot keep them out.
func share(most int, r stream.Relation) int {
	switch r {
	case stream.Own:
		return most
	case stream.Claimed:
		return max(1, most*3/4)
	}
	return max(1, most/2)
}

// nearness is what the actor is to the stream by what is known here now; foreign where that cannot be had.
func (l *line) nearness(ctx context.Context, actor stream.Actor) stream.Relation {
	relation, err := l.hub.relation(ctx, &l.now.Load().fold, actor)
	if err != nil {
		return stream.Foreign
	}
	return relation
}

// put gives the line a task of somebody who is that near, if there is room for it to wait.
func (l *line) put(t task, near stream.Relation, urgent bool) error {
	mail := l.mail
	if urgent {
		mail = l.urgent
	}
	l.filling.Lock()
	defer l.filling.Unlock()
	if len(mail) >= share(cap(mail), near) {
		return crowded()
	}
	select {
	case mail <- t:
		return nil
	default:
		return crowded()
	}
}

func crowded() error {
	return fault.New(fault.TooMany, "Too much waits for this stream at the moment. Send the same again shortly.")
}
