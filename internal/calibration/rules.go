// Package calibration holds the rules of the calibration stream: one sensor of one car, from the gates to the signed
// result, along two axes. The Phase is how far the calibration has come; the Stage is how far the set-up at the
// position where the fixture stands has come. Which command is possible when, for whom and on what conditions is one
// table, in interlock.go; docs/state-machine.md shows it.
//
// What always holds:
//
//   - A leg of the routine runs only after two people, technician and specialist, gave their words within WordWindow of
//     each other, each on a sheet the specialist adopted, a set-up within limits or waived at this position, frozen, with
//     closing readings that held, every gate met, waived or answered, and on facts unchanged since the verdict.
//   - While it runs, only its end, a stop, a void and notes pass.
//   - A drive on the road needs no two words: nobody is in a bay. What it comes to is computed from its log.
//   - The numbers of an instruction are composed from the geometry. Nothing is done before its read-back is confirmed.
//   - A verdict is computed from what the trail stores and nothing else, so it can be computed again.
//   - Nothing is overwritten: sheets, steps, attempts and legs are numbered.
//
// The package is pure. A State is never changed once Apply has returned it and may be read by any goroutine.
package calibration

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Rules are the calibration stream's rules.
type Rules struct{}

var _ stream.Rules = Rules{}

// Kind is calibration.
func (Rules) Kind() stream.Kind { return stream.Calibration }

// New is a calibration before its first entry.
func (Rules) New(id stream.ID) stream.State {
	return &State{id: id, phase: Unopened, place: Place{Stage: None}}
}

// Admit checks a command's data strictly and names its free text, which is sealed before Decide.
func (Rules) Admit(cmd stream.Command) (json.RawMessage, []string, error) {
	r, err := known(cmd.Type)
	if err != nil {
		return nil, nil, err
	}
	o := strict.Read(cmd.Data, "data")
	r.read(o, false)
	o.InOrder()
	if err := o.Close(); err != nil {
		return nil, nil, err
	}
	var seal []string
	for _, key := range r.seal {
		if o.Has(key) {
			seal = append(seal, key)
		}
	}
	return cmd.Data, seal, nil
}

func known(command string) (*row, error) {
	if r := rowOf(command); r != nil {
		return r, nil
	}
	return nil, fault.New(fault.UnknownType, fmt.Sprintf("A calibration has no command %q.", command), fault.Field{Name: "type", Want: "a command of the calibration stream"})
}

// take reads a command's data.
func (r *row) take(data json.RawMessage, sealed bool) (any, error) {
	o := strict.Read(data, "data")
	v := r.read(o, sealed)
	if err := o.Close(); err != nil {
		return nil, err
	}
	return v, nil
}

// Needs lists the actor's own entry in the register and what the command relies on.
func (Rules) Needs(state stream.State, actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	s := state.(*State)
	r, err := known(cmd.Type)
	if err != nil {
		return nil, err
	}
	data, err := r.take(cmd.Data, true)
	if err != nil {
		return nil, err
	}
	var keys []stream.FactKey
	if r.personal() {
		keys = append(keys, memberKey(actor.Org, actor.Member))
	}
	if r.looksAtExpiry() && s.phase != Unopened {
		keys = append(keys, organisationKey(s.shop))
	}
	if r.needs != nil {
		keys = append(keys, r.needs(s, actor, data)...)
	}
	return unique(keys), nil
}

// personal reports whether people give the command, whose names the record needs.
func (r *row) personal() bool {
	return slices.ContainsFunc(r.may, func(m may) bool { return m.role != stream.System })
}

// Decide goes through the interlocks: role, phase, guards in order; then it makes the entry.
func (Rules) Decide(state stream.State, actor stream.Actor, cmd stream.Command, facts stream.Facts, now time.Time) (stream.Decision, error) {
	s := state.(*State)
	r, err := known(cmd.Type)
	if err != nil {
		return stream.Decision{}, err
	}
	data, err := r.take(cmd.Data, true)
	if err != nil {
		return stream.Decision{}, err
	}
	var wish stream.Role
	if o, ok := data.(interface{ actsAs() stream.Role }); ok {
		wish = o.actsAs()
	}
	role, err := r.admit(s, actor, wish, facts)
	if err != nil {
		return stream.Decision{}, err
	}
	a := &asked{row: r, state: s, actor: actor, role: role, data: data, facts: facts, now: now}
	if err := r.check(a); err != nil {
		return stream.Decision{}, err
	}
	return r.decide(a)
}

// entries says how each type of entry changes a state of its own. Each is of version 1.
var entries = map[string]func(*State, stream.Entry) error{
	"opened":             applyOpened,
	"gate-recorded":      applyGate,
	"guidance-requested": applyRequested,
	"claimed":            applyClaimed,
	"returned":           applyUnclaimed,
	"lapsed":             applyUnclaimed,
	"declined":           applyDeclined,
	"handover-offered":   applyOffered,
	"handed-over":        applyHandover,
	"taken-over":         applyTakenOver,
	"waived":             applyWaived,
	"sheet-issued":       applySheet,
	"sheet-adopted":      applyAdopted,
	"instructed":         applyInstructed,
	"read-back":          applyReadBack,
	"confirmed":          applyConfirmed,
	"corrected":          applyCorrected,
	"step-withdrawn":     applyWithdrawn,
	"step-done":          applyDone,
	"readings-reported":  applyReadings,
	"locked":             applyLocked,
	"frozen":             applyFrozen,
	"closing-reported":   applyClosing,
	"word-given":         applyWord,
	"leg-started":        applyLegStarted,
	"leg-ended":          applyEnded,
	"drive-recorded":     applyDriven,
	"stopped":            applyStopped,
	"restart-agreed":     applyAgreed,
	"restarted":          applyRestarted,
	"setup-voided":       applyVoided,
	"noted":              applyNote,
	"photo-attached":     applyAttached,
	"photo-marked":       applyMarked,
	"result-declared":    applyDeclared,
	"signed":             applySigned,
	"notice-handed-over": applyHandedOver,
	"closed":             applyClosedOff,
	"reopened":           applyReopened,
}

// Apply folds an entry into a copy of the state.
func (Rules) Apply(state stream.State, e stream.Entry) (stream.State, error) {
	apply, ok := entries[e.Type]
	if !ok || e.V != 1 {
		return nil, fmt.Errorf("entry type %q version %d is not known", e.Type, e.V)
	}
	s := *state.(*State)
	if (s.phase == Unopened) != (e.Type == "opened") {
		return nil, fmt.Errorf("%s in phase %s", e.Type, s.phase)
	}
	s.seq, s.at = e.Seq, e.At
	if len(e.Facts) > 0 {
		s.held = maps.Clone(s.held)
		if s.held == nil {
			s.held = stream.Facts{}
		}
		for _, f := range e.Facts {
			s.held[f.Key] = f
		}
	}
	if err := apply(&s, e); err != nil {
		return nil, err
	}
	if was := state.(*State); was.pairedAt == 0 || !was.pairing().same(s.pairing()) {
		s.pairedAt = e.Seq
	}
	if !slices.Contains([]string{"word-given", "noted", "photo-attached", "photo-marked"}, e.Type) {
		s.words = nil // whatever happens, the words were said for what was before
	}
	s.keepTurn(state.(*State))
	return &s, nil
}

// Stale is by the table.
func (Rules) Stale(command, entry string) bool {
	r := rowOf(command)
	return r != nil && slices.Contains(r.stale, entry)
}

// RelationNeeds asks for the agreement by which a desk sees a calibration that waits for a specialist.
func (Rules) RelationNeeds(state stream.State, actor stream.Actor) []stream.FactKey {
	return needsSee(state.(*State), actor, nil)
}

// Relation says what somebody is to the calibration. A desk sees it by agreement while it waits, and afterwards if it
// claimed it.
func (Rules) Relation(state stream.State, actor stream.Actor, facts stream.Facts) stream.Relation {
	s := state.(*State)
	switch {
	case s.phase == Unopened, actor.Org == s.shop, actor.Has(stream.System):
		return stream.Own
	case s.claim != nil && s.claim.Desk == actor.Org:
		return stream.Claimed
	case s.claim == nil && s.request != nil && s.result == nil && s.agreed(actor.Org, facts):
		return stream.Agreed
	case slices.Contains(s.desks, actor.Org):
		return stream.Ended
	}
	return stream.Foreign
}

// Key is the job's: what is personal in a calibration goes with the car's visit.
func (Rules) Key(state stream.State, cmd stream.Command) (stream.Ref, error) {
	if s := state.(*State); s.phase != Unopened {
		return stream.Ref{Kind: stream.Job, ID: s.job}, nil
	}
	r, err := known(cmd.Type)
	if err != nil {
		return stream.Ref{}, err
	}
	data, err := r.take(cmd.Data, false)
	if err != nil {
		return stream.Ref{}, err
	}
	o, ok := data.(openOrder)
	if !ok {
		return stream.Ref{}, fault.New(fault.WrongPhase, "The calibration is not open yet.")
	}
	return stream.Ref{Kind: stream.Job, ID: o.Job}, nil
}

// Commands lists the commands in the order in which a calibration meets them.
func Commands() []string {
	names := make([]string, len(table))
	for i, r := range table {
		names[i] = r.command
	}
	return names
}

// Entries lists the entry types in order.
func Entries() []string { return slices.Sorted(maps.Keys(entries)) }
