package stream

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/fault"
)

// Fold is a stream's state with what every kind needs around it: how far it is, the hashes, the facts it holds and the
// commands it has answered. It is owned by one goroutine; State inside may be shared.
type Fold struct {
	Ref   Ref
	Rules Rules
	State State
	Seq   uint64
	Head  Hash
	At    time.Time         // of the last entry
	Held  Facts             // newest version of each fact stored so far
	Seen  map[ID]Seen       // commands answered, by command id
	Opens Opens             // from the first entry
	marks []mark            // by sequence number − 1
	last  map[string]uint64 // number of the last entry of each type
}

// Seen is the answer a command id got.
type Seen struct {
	Seq uint64
	MAC []byte
}

type mark struct {
	typ  string
	hash Hash
}

// NewFold is a stream before its first entry.
func NewFold(rules Rules, id ID) *Fold {
	return &Fold{
		Ref: Ref{Kind: rules.Kind(), ID: id}, Rules: rules, State: rules.New(id),
		Held: Facts{}, Seen: map[ID]Seen{}, last: map[string]uint64{},
	}
}

// Apply folds the next entry. The chain itself (hashes) is package trail's to check.
func (f *Fold) Apply(e Entry) error {
	switch {
	case e.Stream != f.Ref:
		return fmt.Errorf("entry %d is of %s, not of %s", e.Seq, e.Stream, f.Ref)
	case e.Seq != f.Seq+1:
		return fmt.Errorf("entry %d follows %d", e.Seq, f.Seq)
	case e.At.Before(f.At):
		return fmt.Errorf("entry %d is earlier than the one before", e.Seq)
	case (e.Opens != nil) != (e.Seq == 1):
		return fmt.Errorf("entry %d: only the first entry opens a stream", e.Seq)
	}
	next, err := f.Rules.Apply(f.State, e)
	if err != nil {
		return fmt.Errorf("apply entry %d (%s): %w", e.Seq, e.Type, err)
	}
	f.State, f.Seq, f.Head, f.At = next, e.Seq, e.Hash, e.At
	if e.Opens != nil {
		f.Opens = *e.Opens
	}
	for _, fact := range e.Facts {
		f.Held[fact.Key] = fact
	}
	f.Seen[e.Command.ID] = Seen{Seq: e.Seq, MAC: e.MAC}
	f.marks = append(f.marks, mark{e.Type, e.Hash})
	f.last[e.Type] = e.Seq
	return nil
}

// Fact gives one of this stream's own values for others.
func (f *Fold) Fact(name string) (Fact, bool) {
	value, seq, ok := f.Rules.Fact(f.State, name)
	if !ok || seq == 0 || seq > f.Seq {
		return Fact{}, false
	}
	return Fact{Key: FactKey{f.Ref, name}, Seq: seq, Hash: f.marks[seq-1].hash, Value: value}, true
}

// CheckBase refuses a command whose sender has not seen an entry that matters to it.
func (f *Fold) CheckBase(cmd Command) error {
	if cmd.Base > f.Seq {
		return fault.Badly("base", fmt.Sprintf("the number of an entry that exists, at most %d", f.Seq))
	}
	if !f.missed(cmd) {
		return nil
	}
	for seq := cmd.Base + 1; seq <= f.Seq; seq++ {
		if typ := f.marks[seq-1].typ; f.Rules.Stale(cmd.Type, typ) {
			return fault.New(fault.Stale,
				fmt.Sprintf("Entry %d (%s) came after what you had seen. Look at it, then decide again.", seq, typ),
				fault.Field{Name: "base", Want: fmt.Sprintf("%d", f.Seq)})
		}
	}
	return nil
}

// missed reports whether an entry that matters to the command came after its base. It asks of each type of entry, not of each
// entry: whoever gives a command on the base of the first entry may be thousands behind.
func (f *Fold) missed(cmd Command) bool {
	for typ, seq := range f.last {
		if seq > cmd.Base && f.Rules.Stale(cmd.Type, typ) {
			return true
		}
	}
	return false
}

// Unheld lists, in the order of keys and each once, the facts that the stream does not hold at that version yet: those
// go into the entry.
func (f *Fold) Unheld(keys []FactKey, facts Facts) []Fact {
	var out []Fact
	for i, k := range keys {
		fact, ok := facts[k]
		if !ok || slices.Contains(keys[:i], k) {
			continue
		}
		if held, ok := f.Held[k]; ok && held.Hash == fact.Hash && held.Seq == fact.Seq {
			continue
		}
		out = append(out, fact)
	}
	return out
}

// Draft decides an admitted, sealed command into the entry that would be next, without hashes. facts must hold all that
// Needs asked for and that exists.
func (f *Fold) Draft(actor Actor, cmd Command, mac []byte, keys []FactKey, facts Facts, now time.Time) (Entry, Decision, error) {
	if now.Before(f.At) {
		now = f.At // clocks of two nodes differ by less than it matters; a trail never runs backwards
	}
	d, err := f.Rules.Decide(f.State, actor, cmd, facts, now)
	if err != nil {
		return Entry{}, Decision{}, err
	}
	decided := json.RawMessage("{}")
	if d.Decided != nil {
		if decided, err = json.Marshal(d.Decided); err != nil {
			return Entry{}, Decision{}, fmt.Errorf("encode what %s decided: %w", d.Type, err)
		}
	}
	e := Entry{
		Stream: f.Ref, Seq: f.Seq + 1, Type: d.Type, V: d.V, At: now,
		By:      By{Member: actor.Member, Org: actor.Org, Role: d.Role},
		Command: cmd, MAC: mac, Facts: f.Unheld(keys, facts), Decided: decided, Prev: f.Head,
	}
	return e, d, nil
}
