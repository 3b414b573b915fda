// Package job is the stream of one visit of a car to a shop: which car it is, why its sensors are in question, its wheel
// alignment and its scans. Calibrations name the job they belong to and see it only through its facts: "vehicle",
// "alignment" and "scan".
//
// A job opens with what is known at the door, and what is missing is added in any order. Nothing here insists on more:
// the calibrations' guards do, each when it needs the thing, by the list of what is missing in the fact "vehicle".
//
// Invariants. The first entry opens the job and says whose it is, for ever. Only people of that shop change it, and they
// must be active in its register at that time. A vehicle interface of the shop opens a job with the VIN that a car gave, and
// announces the VIN in a job that a person tied it to or that goes by that very VIN; it does nothing else. What identifies
// the car and its owner — VIN, plate, customer's reference — and free text never stand open: they are sealed before Decide
// sees them, and what deciding needs of them enters openly (vin_check, model_year; vin_mark, by which equal VINs of one job
// are told without opening them). Nothing is overwritten: a correction, a later alignment or scan is a further entry. A job
// that was withdrawn stays so.
//
// Each command is one row of the table in command.go; the file named for the noun holds its data, guards and effect.
// A State is never changed after Apply gave it out, so any goroutine may read it.
package job

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

// Rules are the job's rules. The zero value is ready.
type Rules struct{}

var _ stream.Rules = Rules{}

// Kind is stream.Job.
func (Rules) Kind() stream.Kind { return stream.Job }

// New is a job that is not opened yet.
func (Rules) New(id stream.ID) stream.State { return &State{id: id} }

// Admit checks a command's data and gives it back in one spelling.
func (Rules) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	c, ok := commands[cmd.Type]
	if !ok {
		return nil, nil, unknown(cmd.Type)
	}
	return stream.AdmitData(cmd, c.read, c.seal)
}

// Needs lists the facts of the actor's register: that they work there, and what the command names.
func (Rules) Needs(_ stream.State, actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	c, ok := commands[cmd.Type]
	if !ok {
		return nil, unknown(cmd.Type)
	}
	keys := []stream.FactKey{memberKey(actor)}
	if actor.Has(stream.Interface) {
		keys[0] = interfaceKey(actor, actor.Member)
	}
	if c.needs == nil {
		return keys, nil
	}
	more, err := c.needs(actor, cmd)
	return append(keys, more...), err
}

// Decide makes the entry, or refuses.
func (Rules) Decide(state stream.State, actor stream.Actor, cmd stream.Command, facts stream.Facts, _ time.Time) (stream.Decision, error) {
	s := state.(*State)
	c, ok := commands[cmd.Type]
	if !ok {
		return stream.Decision{}, unknown(cmd.Type)
	}
	switch {
	case !c.opens && !s.opened(), s.opened() && actor.Org != s.shop && !actor.Has(stream.System):
		return stream.Decision{}, access.NotHere()
	case c.opens && s.opened():
		return stream.Decision{}, fault.New(fault.AlreadyThere, "This job is open already.")
	case s.withdrawn != nil && !c.late:
		return stream.Decision{}, fault.New(fault.WrongPhase, "The job was withdrawn: nothing but notes is added to it.",
			fault.Field{Name: "phase", Want: open})
	}
	role, err := c.allows(actor, facts)
	if err != nil {
		return stream.Decision{}, err
	}
	if err := stream.CheckSealed(cmd, c.seal); err != nil {
		return stream.Decision{}, err
	}
	if role == stream.Interface {
		if err := c.device(s, actor, cmd); err != nil {
			return stream.Decision{}, err
		}
	}
	if c.check != nil {
		if err := c.check(actor, cmd, facts); err != nil {
			return stream.Decision{}, err
		}
	}
	if c.holds != nil {
		if err := c.holds(s); err != nil {
			return stream.Decision{}, err
		}
	}
	d := stream.Decision{Type: c.entry, V: 1, Role: role}
	if c.decide != nil {
		decided, err := c.decide(cmd)
		if err != nil {
			return stream.Decision{}, err
		}
		d.Decided = decided
	}
	return d, nil
}

// Apply folds an entry into a new State.
func (Rules) Apply(state stream.State, e stream.Entry) (stream.State, error) {
	c, ok := commands[e.Command.Type]
	if !ok || c.entry != e.Type || e.V != 1 {
		return nil, fmt.Errorf("a job has no entry %s version %d by command %s", e.Type, e.V, e.Command.Type)
	}
	next := *state.(*State)
	next.seq = e.Seq
	if err := c.apply(&next, e); err != nil {
		return nil, err
	}
	next.unattended = e.By.Role == stream.Interface && (next.unattended || c.opens)
	return &next, nil
}

// Stale reports whether the sender of the command must have seen the entry.
func (Rules) Stale(command, entry string) bool {
	return slices.Contains(commands[command].stale, entry)
}

// RelationNeeds is empty: see Relation.
func (Rules) RelationNeeds(stream.State, stream.Actor) []stream.FactKey { return nil }

// Relation is own for the shop's people and the server. A job knows nothing of desks: what a desk is to it follows from
// the calibrations that name it, and is foreign as far as the job itself can say.
func (Rules) Relation(state stream.State, actor stream.Actor, _ stream.Facts) stream.Relation {
	s := state.(*State)
	if actor.Org == s.shop || actor.Has(stream.System) {
		return stream.Own
	}
	return stream.Foreign
}

// Key is the job's own key.
func (Rules) Key(state stream.State, _ stream.Command) (stream.Ref, error) {
	return stream.Ref{Kind: stream.Job, ID: state.(*State).id}, nil
}

func unknown(command string) error {
	return fault.New(fault.UnknownType, fmt.Sprintf("A job knows no command %q.", command), fault.Field{Name: "type", Want: "a command of the job stream"})
}
