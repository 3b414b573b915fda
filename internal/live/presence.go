package live

import (
	"bytes"
	"cmp"
	"encoding/json"
	"maps"
	"slices"
	"time"

	"readback/internal/stream"
)

// PresenceKey is the key of the hub's own note about who takes part: a list of Present.
const PresenceKey = "presence"

// Present is a member who takes part in a stream now, on whatever node.
type Present struct {
	Member   stream.ID       `json:"member"`
	Org      stream.ID       `json:"org"`
	Roles    []stream.Role   `json:"roles"`
	Relation stream.Relation `json:"relation"`
}

// presenceTold is what a node tells the others of those who take part on it.
type presenceTold struct {
	Here []Present `json:"here"`
	Ask  bool      `json:"ask"` // whoever has somebody there shall say so, too
}

// presence tells those who take part who does, here and on the other nodes. Who merely looks at a waiting request is not
// told, nor told of.
func (l *line) presence() {
	l.tellPresence(false)
	l.showPresence()
}

// present is who takes part here.
func (l *line) present() []Present {
	present := []Present{}
	for _, g := range l.followers {
		if opens(g.relation) && !g.closed.Load() {
			present = with(present, Present{g.actor.Member, g.actor.Org, g.actor.Roles, g.relation})
		}
	}
	return present
}

// with adds somebody who is not in the list.
func with(list []Present, p Present) []Present {
	if slices.ContainsFunc(list, func(q Present) bool { return q.Member == p.Member && q.Org == p.Org }) {
		return list
	}
	return append(list, p)
}

func (l *line) showPresence() {
	if len(l.followers) == 0 {
		return
	}
	all := l.present()
	for _, node := range slices.SortedFunc(maps.Keys(l.elsewhere), cmp.Compare) {
		for _, p := range l.elsewhere[node] {
			all = with(all, p)
		}
	}
	if value, err := json.Marshal(all); err == nil { // strings and ids always encode
		l.note(Note{Ref: l.ref, Key: PresenceKey, Value: value, UnheardS: l.unheardS.Load()}, nil)
	}
}

// tellPresence tells the other nodes who takes part here, if that changed or they are asked who takes part there.
func (l *line) tellPresence(ask bool) {
	if l.hub.cluster.others.Load() == 0 {
		return
	}
	here := l.present()
	value, err := json.Marshal(presenceTold{Here: here, Ask: ask})
	if err != nil || !ask && (bytes.Equal(value, l.told) || l.told == nil && len(here) == 0) {
		return
	}
	l.told, _ = json.Marshal(presenceTold{Here: here})
	l.hub.tell(joinKey(l.ref, PresenceKey), value)
}

// Silent tells those who take part in streams of the kind for how long nothing was heard of who is in charge, where that is
// so; whoever is not among these is heard of. It is told with presence, again whenever it changes.
func (h *Hub) Silent(kind stream.Kind, silent map[stream.ID]time.Duration) {
	h.eachHeeded(func(l *line) {
		seconds := int64(silent[l.ref.ID] / time.Second)
		if l.ref.Kind == kind && l.unheardS.Swap(seconds) != seconds {
			l.silence.Store(true)
			l.nudge()
		}
	})
}

// hearPresence takes in who takes part on another node.
func (l *line) hearPresence(node Node, value []byte) {
	var told presenceTold
	if value != nil && json.Unmarshal(value, &told) != nil {
		return // of a release that says it otherwise
	}
	if told.Ask && len(l.present()) > 0 {
		l.told = nil // whatever was told before, say it again
		l.tellPresence(false)
	}
	before, _ := json.Marshal(l.elsewhere[node])
	after, _ := json.Marshal(told.Here)
	if len(told.Here) == 0 {
		if _, had := l.elsewhere[node]; !had {
			return
		}
		delete(l.elsewhere, node)
	} else {
		if bytes.Equal(before, after) {
			return
		}
		if l.elsewhere == nil {
			l.elsewhere = map[Node][]Present{}
		}
		l.elsewhere[node] = told.Here
	}
	l.followedElsewhere.Store(len(l.elsewhere) > 0)
	l.showPresence()
}
