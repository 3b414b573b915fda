package calibration

import (
	"fmt"
	"slices"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// row is one command: who may give it in which phase, what must hold, what it makes.
type row struct {
	command string
	title   string   // what it does, to continue "… is not possible while"
	entries []string // types of the entry it may make
	may     []may    // in order: the first that fits is the role acted under
	guards  []guard  // in order: the first that does not hold is the refusal
	stale   []string // entry types that the sender must have seen
	seal    []string // keys of data that hold free text

	// read takes the command's data apart; sealed says that free text is sealed by now.
	read func(o *strict.Object, sealed bool) any
	// needs lists the facts beyond the actor's own entry in the register.
	needs func(s *State, actor stream.Actor, data any) []stream.FactKey
	// decide makes the entry. All guards hold.
	decide func(a *asked) (stream.Decision, error)
}

// bond is what somebody must be to a calibration beyond holding a role in the right organisation.
type bond int

const (
	anyone     bond = iota // who holds the role; for a specialist, guards check the desk
	ofDesk                 // of the desk that has claimed; before that, of a desk the shop has an agreement with
	claiming               // the specialist who has claimed
	colleagues             // another specialist of the desk that has claimed
)

type may struct {
	role   stream.Role
	bond   bond
	phases []Phase
}

// asked is one command being decided: who asks what of which state, with which facts, when.
type asked struct {
	row   *row
	state *State
	actor stream.Actor
	role  stream.Role
	data  any
	facts stream.Facts
	now   time.Time
}

// entry is a decision to make the row's only type of entry.
func (a *asked) entry(decided any) (stream.Decision, error) {
	return stream.Decision{Type: a.row.entries[0], V: 1, Role: a.role, Decided: decided}, nil
}

// admit finds the role the actor acts under, or refuses. wish is the role the actor asks to act under; "" is any.
func (r *row) admit(s *State, actor stream.Actor, wish stream.Role, facts stream.Facts) (stream.Role, error) {
	var roles, bonds []may
	for _, m := range r.may {
		if s.holds(m.role, actor) && (wish == "" || wish == m.role) {
			roles = append(roles, m)
		}
	}
	if len(roles) == 0 {
		var names []string
		for _, m := range r.may {
			if name := "a " + string(m.role); !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
		return "", fault.New(fault.NotYourRole, fmt.Sprintf("To %s is for %s of this calibration.", r.title, enumerate(names)))
	}
	for _, m := range roles {
		if s.bound(m, actor, facts) {
			bonds = append(bonds, m)
		}
	}
	if len(bonds) == 0 {
		who := "the specialist who has claimed the calibration"
		if roles[0].bond == colleagues {
			who = "a colleague of the specialist who has claimed the calibration"
		}
		return "", fault.New(fault.NotClaimed, fmt.Sprintf("To %s is for %s.", r.title, who))
	}
	var possible []Phase
	for _, m := range bonds {
		if slices.Contains(m.phases, s.phase) {
			return m.role, nil
		}
		possible = append(possible, m.phases...)
	}
	return "", fault.New(fault.WrongPhase, fmt.Sprintf("The calibration is %s. To %s is possible while it is %s.",
		s.phase, r.title, list(possible)), fault.Field{Name: "phase", Want: list(possible)})
}

// holds reports whether the actor has the role here: a technician and an owner are the shop's, a specialist is not.
func (s *State) holds(role stream.Role, actor stream.Actor) bool {
	if !actor.Has(role) {
		return false
	}
	switch role {
	case stream.Technician, stream.Owner:
		return s.phase == Unopened || actor.Org == s.shop
	case stream.Specialist:
		return actor.Org != s.shop
	}
	return true
}

func (s *State) bound(m may, actor stream.Actor, facts stream.Facts) bool {
	if m.role != stream.Specialist {
		return true
	}
	switch m.bond {
	case claiming:
		return s.claim != nil && s.claim.Person() == actor.Person()
	case colleagues:
		return s.claim != nil && s.claim.Member != actor.Member && s.claim.Desk == actor.Org
	case ofDesk:
		if s.claim != nil {
			return s.claim.Desk == actor.Org
		}
		return s.agreed(actor.Org, facts)
	}
	return true
}

// agreed reports whether the shop has an agreement in force with the desk.
func (s *State) agreed(desk stream.ID, facts stream.Facts) bool {
	a, ok := fact[agreement](facts, s.agreementKey(desk))
	return ok && !a.Ended
}

// check goes through the guards in order.
func (r *row) check(a *asked) error {
	for _, g := range r.guards {
		if why := g.refuses(a); why != "" {
			return fault.New(fault.NotMet, why, fault.Field{Name: "guard", Want: g.name})
		}
	}
	return nil
}
