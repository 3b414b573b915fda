// Package memstore is a live.Store in memory, for tests of what stands on one. It keeps every promise of the real one
// but durability: what is in it lives as long as the process. Several hubs may share one, as nodes share a database.
//
// Concurrency: everything may be called from many goroutines. The hooks are called without a lock held.
package memstore

import (
	"context"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/trail"
)

// Hooks are called on the way. Each may be nil.
type Hooks struct {
	// Before is called before an entry is looked at; its error is given back and nothing is written.
	Before func(ctx context.Context, a live.Append) error
	// After is called after an entry was written or refused; its error is given back in place of the outcome.
	After func(ctx context.Context, a live.Append, o live.Outcome) error
	// OnLoad is called before entries are read; its error is given back.
	OnLoad func(ctx context.Context, ref stream.Ref, after uint64) error
}

// Store is the streams, the keys and the running routines.
type Store struct {
	mu      sync.Mutex // guards what follows
	hooks   Hooks
	streams map[stream.ID]*kept
	keys    map[stream.ID]trail.WrappedKey
	running map[stream.Person]stream.ID // stream by specialist
	buses   []*Bus
	loads   int
	appends int
}

type kept struct {
	records  []trail.Record
	commands map[stream.ID]bool
	summary  stream.Summary
}

// New is an empty store.
func New() *Store {
	return &Store{
		streams: map[stream.ID]*kept{}, keys: map[stream.ID]trail.WrappedKey{}, running: map[stream.Person]stream.ID{},
	}
}

// Hook sets the hooks, in place of those before.
func (s *Store) Hook(h Hooks) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.hooks = h
}

func (s *Store) hooked() Hooks {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.hooks
}

// Load gives a copy of the list; the records themselves are never changed.
func (s *Store) Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	if hook := s.hooked().OnLoad; hook != nil {
		if err := hook(ctx, ref, after); err != nil {
			return nil, err
		}
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.loads++
	k := s.streams[ref.ID]
	if k == nil || k.records[0].Kind != ref.Kind || after >= uint64(len(k.records)) {
		return nil, nil
	}
	some := k.records[after:]
	if limit > 0 {
		some = some[:min(limit, len(some))]
	}
	return append([]trail.Record(nil), some...), nil
}

// LoadFor is Load, a page at a time where there is a limit: it leaves nothing out.
func (s *Store) LoadFor(ctx context.Context, _ stream.ID, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	all, err := s.Load(ctx, ref, after, limit)
	bytes := 0
	for i, r := range all {
		if bytes += len(r.Body); limit > 0 && bytes >= live.PageBytes {
			return all[:i+1], err
		}
	}
	return all, err
}

// Append writes the entry and what goes with it, or nothing.
func (s *Store) Append(ctx context.Context, a live.Append) (live.Outcome, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	hooks := s.hooked()
	if hooks.Before != nil {
		if err := hooks.Before(ctx, a); err != nil {
			return 0, err
		}
	}
	o, won := s.append(a)
	if won {
		s.tell(a.Record.Stream)
	}
	if hooks.After != nil {
		if err := hooks.After(ctx, a, o); err != nil {
			return 0, err
		}
	}
	return o, nil
}

// append reports beside the outcome whether something was written.
func (s *Store) append(a live.Append) (live.Outcome, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.appends++
	r := a.Record
	k := s.streams[r.Stream]
	if k == nil {
		k = &kept{commands: map[stream.ID]bool{}}
	}
	n := uint64(len(k.records))
	switch {
	case r.Seq <= n && k.records[r.Seq-1].Hash == r.Hash:
		return live.Won, false
	case r.Seq != n+1, k.commands[r.CommandID], n > 0 && k.records[0].Kind != r.Kind:
		return live.Lost, false
	}
	if a.Runs != nil {
		if _, ok := s.running[*a.Runs]; ok {
			return live.RunsElsewhere, false
		}
		s.running[*a.Runs] = r.Stream
	}
	if a.Ends != nil && s.running[*a.Ends] == r.Stream {
		delete(s.running, *a.Ends)
	}
	if a.NewKey != nil {
		s.keys[a.NewKey.ID] = *a.NewKey
	}
	k.records = append(k.records, r)
	k.commands[r.CommandID] = true
	k.summary = a.Summary
	s.streams[r.Stream] = k
	return live.Won, true
}

// Key gives a wrapped key that is there.
func (s *Store) Key(ctx context.Context, id stream.ID) (trail.WrappedKey, error) {
	if err := ctx.Err(); err != nil {
		return trail.WrappedKey{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	k, ok := s.keys[id]
	if !ok {
		return trail.WrappedKey{}, fault.New(fault.NotHere, "There is no such key.")
	}
	return k, nil
}

// Now is the process's clock.
func (s *Store) Now(ctx context.Context) (time.Time, error) {
	return time.Now(), ctx.Err()
}

// Destroy deletes a key, which erases what it sealed.
func (s *Store) Destroy(id stream.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.keys, id)
}

// Summary is the stream's row in lists, as the last entry left it.
func (s *Store) Summary(id stream.ID) (stream.Summary, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := s.streams[id]
	if k == nil {
		return stream.Summary{}, false
	}
	return k.summary, true
}

// Calls says how many reads of entries and how many appends there were.
func (s *Store) Calls() (loads, appends int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.loads, s.appends
}

// Belonging gives the streams whose row in lists names the job.
func (s *Store) Belonging(_ context.Context, job stream.Ref) ([]stream.Ref, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []stream.Ref
	for id, k := range s.streams {
		if k.summary.Job != nil && *k.summary.Job == job.ID {
			out = append(out, stream.Ref{Kind: k.records[0].Kind, ID: id})
		}
	}
	return out, nil
}

// Bus is one node's ear on the store. A wake-up that finds the last one not taken yet becomes "any".
type Bus struct {
	store   *Store
	node    live.Node
	changed chan []stream.ID
	told    chan []live.Told
	cut     bool // guarded by the store's mu
}

// Bus joins another node.
func (s *Store) Bus() *Bus {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := &Bus{store: s, node: live.Node(len(s.buses) + 1), changed: make(chan []stream.ID, 1), told: make(chan []live.Told, 1)}
	s.buses = append(s.buses, b)
	return b
}

// Changed implements live.Bus.
func (b *Bus) Changed() <-chan []stream.ID { return b.changed }

// Told implements live.Bus.
func (b *Bus) Told() <-chan []live.Told { return b.told }

// Tell implements live.Bus.
func (b *Bus) Tell(key string, value []byte) error {
	b.store.mu.Lock()
	defer b.store.mu.Unlock()
	for _, other := range b.store.buses {
		if other == b || b.cut || other.cut {
			continue
		}
		all := []live.Told{{Node: b.node, Key: key, Value: value}}
		select {
		case before := <-other.told:
			all = append(before, all...)
		default:
		}
		other.told <- all // only this function sends, under mu: there is room
	}
	return nil
}

// Cut lets nothing that is told in or out, or lets it again.
func (b *Bus) Cut(cut bool) {
	b.store.mu.Lock()
	defer b.store.mu.Unlock()
	b.cut = cut
}

func (s *Store) tell(id stream.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.buses {
		select {
		case b.changed <- []stream.ID{id}:
			continue
		default:
		}
		select {
		case <-b.changed:
		default:
		}
		b.changed <- nil // only this function sends, under mu: there is room
	}
}
