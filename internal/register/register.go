// Package register is the stream of one organisation: who works there and may do what, and what it works with. A shop's
// register holds its bays, instruments, fixtures, dimension sheets, procedures, vehicle interfaces and its agreements with desks; a desk's holds
// its people and its procedures. Either names the webhooks that are told of its entries. The stream's id is the organisation's.
//
// Invariants. The first entry opens the organisation and only the server makes it. Everything after is by an active
// owner of this organisation, or by the server; but specialists go on and off duty themselves. An id is given to one
// thing for ever; what is retired keeps its entry, its id and its fact, is not changed any more and is not used in new
// work. Of the bays in use no two have one name, nor of the instruments, fixtures, dimension sheets, procedures and vehicle interfaces. No
// version of a procedure is ever changed: a revision is a further one. There is always an active owner once there was
// one. Names of people never stand open: they are sealed before Decide sees them.
//
// Nothing relies on a webhook, so it is no fact. Other streams see a register only through its facts: "organisation",
// "member/<id>", "agreement/<desk's id>", "bay/<id>", "instrument/<id>", "fixture/<id>", "dimensions/<id>",
// "procedure/<id>", "interface/<id>", "duty/<member's id>", "hours". Every change of a thing is a new version of its fact, so whoever relied
// on it can tell.
//
// Import reads a register as one document, and Export writes it.
//
// Each command is one row of the table in command.go; the file named for the noun holds its data, guards and effect.
// A State is never changed after Apply gave it out, so any goroutine may read it.
package register

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Rules are the register's rules. The zero value is ready.
type Rules struct{}

var _ stream.Rules = Rules{}

// Kind is stream.Register.
func (Rules) Kind() stream.Kind { return stream.Register }

// New is an organisation that is not opened yet.
func (Rules) New(id stream.ID) stream.State { return &State{id: id} }

// Admit checks a command's data and gives it back in one spelling.
func (Rules) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	c, ok := commands[cmd.Type]
	if !ok {
		return nil, nil, unknown(cmd.Type)
	}
	return stream.AdmitData(cmd, func(o *strict.Object) any { return c.read(intake{Object: o}) }, c.seal)
}

// Needs lists other organisations' facts: only an agreement relies on one.
func (Rules) Needs(s stream.State, _ stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	c, ok := commands[cmd.Type]
	if !ok {
		return nil, unknown(cmd.Type)
	}
	if c.needs == nil {
		return nil, nil
	}
	return c.needs(cmd)
}

// Decide makes the entry, or refuses.
func (Rules) Decide(state stream.State, actor stream.Actor, cmd stream.Command, facts stream.Facts, now time.Time) (stream.Decision, error) {
	s := state.(*State)
	c, ok := commands[cmd.Type]
	if !ok {
		return stream.Decision{}, unknown(cmd.Type)
	}
	switch relation := (Rules{}).Relation(s, actor, nil); {
	case relation != stream.Own && relation != stream.Agreed, !c.opens && !s.opened():
		return stream.Decision{}, access.NotHere()
	case c.opens && s.opened():
		return stream.Decision{}, fault.New(fault.AlreadyThere, "This organisation is open already.")
	}
	role, err := s.may(c, cmd, actor)
	if err != nil {
		return stream.Decision{}, err
	}
	if err := stream.CheckSealed(cmd, c.seal); err != nil {
		return stream.Decision{}, err
	}
	if c.check != nil {
		if err := c.check(s, cmd, facts, now); err != nil {
			return stream.Decision{}, err
		}
	}
	return stream.Decision{Type: c.entry, V: 1, Role: role}, nil
}

// Apply folds an entry into a new State.
func (Rules) Apply(state stream.State, e stream.Entry) (stream.State, error) {
	c, ok := commands[e.Command.Type]
	if !ok || c.entry != e.Type || e.V != 1 {
		return nil, fmt.Errorf("a register has no entry %s version %d by command %s", e.Type, e.V, e.Command.Type)
	}
	next := *state.(*State)
	next.seq = e.Seq
	if err := c.apply(&next, e); err != nil {
		return nil, err
	}
	return &next, nil
}

// Stale reports whether the sender of the command must have seen the entry.
func (Rules) Stale(command, entry string) bool {
	return slices.Contains(commands[command].stale, entry)
}

// RelationNeeds is empty: a register knows its own agreements.
func (Rules) RelationNeeds(stream.State, stream.Actor) []stream.FactKey { return nil }

// Relation is own for the organisation's people, and agreed for those of a desk while the agreement lasts.
func (Rules) Relation(state stream.State, actor stream.Actor, _ stream.Facts) stream.Relation {
	s := state.(*State)
	if actor.Org == s.id || actor.Has(stream.System) {
		return stream.Own
	}
	if a, ok := s.agreements[actor.Org]; ok {
		if a.value.Ended {
			return stream.Ended
		}
		return stream.Agreed
	}
	return stream.Foreign
}

// Listed is what lists show of an organisation. Agreements are the desks it has one with now: a desk finds its shops by
// them.
type Listed struct {
	Organisation
	Agreements []stream.ID `json:"agreements"`
}

// Summary is what lists show of an organisation.
func (Rules) Summary(state stream.State) stream.Summary {
	s := state.(*State)
	desks := []stream.ID{}
	for _, a := range s.agreements.all() {
		if !a.Ended {
			desks = append(desks, a.Desk)
		}
	}
	return stream.Summary{Org: s.id, Phase: "open", Data: Listed{s.organisation, desks}}
}

// Key is the register's own key.
func (Rules) Key(state stream.State, _ stream.Command) (stream.Ref, error) {
	return stream.Ref{Kind: stream.Register, ID: state.(*State).id}, nil
}

func unknown(command string) error {
	return fault.New(fault.UnknownType, fmt.Sprintf("A register knows no command %q.", command), fault.Field{Name: "type", Want: "a command of the register stream"})
}

// may finds the role acted under. An owner must be an active owner in this very register: that is known here, whoever
// says what about the actor. What concerns a specialist alone is that specialist's.
func (s *State) may(c command, cmd stream.Command, actor stream.Actor) (stream.Role, error) {
	if actor.Has(stream.System) {
		return stream.System, nil
	}
	if c.opens {
		return "", fault.New(fault.NotYourRole, "An organisation is opened by the server's init command only.")
	}
	if c.self && s.theirOwn(cmd, actor) {
		return stream.Specialist, nil
	}
	if c.onlySelf {
		return "", fault.New(fault.NotYourRole, "Specialists go on duty themselves: nobody does it for them.")
	}
	if m, ok := s.members[actor.Member]; ok && m.value.owns() && actor.Org == s.id && actor.Has(stream.Owner) {
		return stream.Owner, nil
	}
	return "", fault.New(fault.NotYourRole, "The register is kept by the organisation's owners.")
}
