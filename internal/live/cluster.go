package live

import (
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"readback/internal/stream"
)

const (
	aliveEvery  = 3 * time.Second  // how often a node says that it is there
	silentAfter = 10 * time.Second // silence after which a node is taken for gone, with everybody on it
)

// Keys of what nodes tell each other, beside one for each kind of note of a stream.
const (
	aliveKey   = "alive"
	leavingKey = "leaving"
)

// cluster is what a hub knows of the other nodes. They are told nothing while none is known.
type cluster struct {
	others atomic.Int64

	mu   sync.Mutex         // guards seen
	seen map[Node]time.Time // when each was heard last, by the process's own clock
}

// hear notes a sign of life. It reports whether the node was not known.
func (c *cluster) hear(n Node, now time.Time) (first bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, known := c.seen[n]
	if c.seen == nil {
		c.seen = map[Node]time.Time{}
	}
	c.seen[n] = now
	c.others.Store(int64(len(c.seen)))
	return !known
}

// forget drops a node, or with silence those that were silent so long, and gives those dropped.
func (c *cluster) forget(which func(n Node, seen time.Time) bool) (gone []Node) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for n, seen := range c.seen {
		if which(n, seen) {
			delete(c.seen, n)
			gone = append(gone, n)
		}
	}
	c.others.Store(int64(len(c.seen)))
	return gone
}

// listen takes in what the bus says: streams with new entries, and what other nodes tell.
func (h *Hub) listen() {
	tick := time.NewTicker(aliveEvery)
	defer tick.Stop()
	h.sign(aliveKey)
	for {
		select {
		case ids, ok := <-h.cfg.Bus.Changed():
			if !ok {
				return
			}
			h.wake(ids)
		case told := <-h.cfg.Bus.Told():
			h.hear(told)
		case now := <-tick.C:
			h.sign(aliveKey)
			h.gone(h.cluster.forget(func(_ Node, seen time.Time) bool { return now.Sub(seen) > silentAfter }))
		case <-h.stopping:
			h.sign(leavingKey)
			return
		}
	}
}

// hear takes in what other nodes tell. After anything was missed, and when a node is new, everybody tells anew.
func (h *Hub) hear(told []Told) {
	anew := len(told) == 0
	now := time.Now()
	for _, t := range told {
		if t.Key == leavingKey {
			h.gone(h.cluster.forget(func(n Node, _ time.Time) bool { return n == t.Node }))
			continue
		}
		anew = h.cluster.hear(t.Node, now) || anew
		if key, ref, ok := splitKey(t.Key); ok {
			h.toLine(ref, heardNote{t.Node, key}, t.Value)
		}
	}
	if anew {
		h.sign(aliveKey)
		h.eachHeeded(func(l *line) {
			l.retell.Store(true)
			l.nudge()
		})
	}
}

// gone lets the streams know that nodes are gone, and so everybody on them.
func (h *Hub) gone(nodes []Node) {
	for _, n := range nodes {
		h.eachHeeded(func(l *line) { l.hear(heardNote{n, PresenceKey}, nil) })
	}
}

// toLine gives a stream that is open here what another node told of it.
func (h *Hub) toLine(ref stream.Ref, key heardNote, value []byte) {
	h.mu.Lock()
	l := h.lines[ref]
	h.mu.Unlock()
	if l != nil && l.heeded.Load() {
		l.hear(key, value)
	}
}

func (h *Hub) eachHeeded(do func(l *line)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, l := range h.lines {
		if l.heeded.Load() {
			do(l)
		}
	}
}

// tell gives the other nodes a value, if any is known. One that cannot be told is dropped.
func (h *Hub) tell(key string, value []byte) {
	if h.cluster.others.Load() > 0 && h.cfg.Bus.Tell(key, value) != nil {
		h.count.dropped.Add(1)
	}
}

// sign tells whoever is there that this node is, or that it leaves.
func (h *Hub) sign(key string) {
	_ = h.cfg.Bus.Tell(key, nil) // it is not too large
}

// joinKey names the note of a stream among what nodes tell each other.
func joinKey(ref stream.Ref, key string) string { return ref.String() + "/" + key }

func splitKey(told string) (key string, ref stream.Ref, ok bool) {
	kind, rest, ok := strings.Cut(told, "/")
	if !ok {
		return "", ref, false
	}
	id, key, ok := strings.Cut(rest, "/")
	if !ok {
		return "", ref, false
	}
	ref.Kind = stream.Kind(kind)
	var err error
	ref.ID, err = stream.ParseID("", id)
	return key, ref, err == nil
}

// heardNote says which node told which note of a stream.
type heardNote struct {
	node Node
	key  string
}

// hear gathers what another node told of the line's stream, the newest of each key. nil: the node is gone.
func (l *line) hear(key heardNote, value []byte) {
	l.mu.Lock()
	if l.heard == nil {
		l.heard = map[heardNote][]byte{}
	}
	l.heard[key] = value
	l.mu.Unlock()
	l.nudge()
}

// takeHeard empties what was gathered.
func (l *line) takeHeard() map[heardNote][]byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := l.heard
	l.heard = nil
	return all
}
