package live

import (
	"encoding/json"
	"slices"

	"readback/internal/stream"
)

// Note is something that is true now: who is present, what an instrument reads. It is in no trail. The newest of a key
// is all that counts.
type Note struct {
	Ref   stream.Ref
	Key   string
	From  stream.ID       // the member who told it; zero for the hub's own
	Value json.RawMessage // shared, never changed
}

// PresenceKey is the key of the hub's own note about who takes part: a list of Present.
const PresenceKey = "presence"

// Present is a member who takes part in a stream now.
type Present struct {
	Member   stream.ID       `json:"member"`
	Org      stream.ID       `json:"org"`
	Roles    []stream.Role   `json:"roles"`
	Relation stream.Relation `json:"relation"`
}

// presence tells those who take part who does. Who merely looks at a waiting request is not told, nor told of.
func (l *line) presence() {
	if len(l.followers) == 0 {
		return
	}
	present := []Present{}
	for _, g := range l.followers {
		same := func(p Present) bool { return p.Member == g.actor.Member && p.Org == g.actor.Org }
		if opens(g.relation) && !g.closed.Load() && !slices.ContainsFunc(present, same) {
			present = append(present, Present{g.actor.Member, g.actor.Org, g.actor.Roles, g.relation})
		}
	}
	value, err := json.Marshal(present)
	if err != nil {
		return // strings and ids always encode
	}
	l.note(Note{Ref: l.ref, Key: PresenceKey, Value: value}, nil)
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
