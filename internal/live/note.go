package live

import (
	"encoding/json"

	"readback/internal/stream"
)

// Note is something that is true now: who is present, what an instrument reads. It is in no trail. The newest of a key
// is all that counts.
type Note struct {
	Ref   stream.Ref
	Key   string
	From  stream.ID       // the member who told it; zero for the hub's own
	Value json.RawMessage // shared, never changed

	UnheardS int64 // of presence: for how long nothing was heard of who is in charge, in seconds; 0 while they are heard of
}

// note gives a note to those who take part, but not to its sender.
func (l *line) note(n Note, from *Following) {
	for _, g := range l.followers {
		if g != from && opens(g.relation) && !g.closed.Load() && !g.follower.Note(n) {
			l.hub.count.dropped.Add(1)
		}
	}
}

// tell is a note of a follower's.
type tell struct {
	from  *Following
	key   string
	value []byte
}

func (t *tell) refuse(error) {}

func (t *tell) run(l *line) {
	if !t.from.closed.Load() && opens(t.from.relation) {
		l.note(Note{Ref: l.ref, Key: t.key, From: t.from.actor.Member, Value: t.value}, t.from)
	}
}
