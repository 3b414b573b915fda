package calibration

import (
	"readback/internal/stream"
	"readback/internal/strict"
)

// Causes are what makes an accepted set-up one that needs checking again.
var Causes = []string{
	"car-moved", "door-opened", "person-in-or-out", "load-changed", "pressure-changed", "ride-height-changed",
	"fixture-touched", "target-swapped", "mark-lost", "battery-support-lost", "other-person", "light-changed", "too-long-ago",
	"instrument-dropped", "unit-replaced", "alignment-changed",
}

const (
	targetSwapped = "target-swapped"
	carMoved      = "car-moved"
)

func decideLock(a *asked) (stream.Decision, error) {
	return a.entry(placeDecided{a.state.place.Position})
}

// placeDecided names the position that an entry without data of its own is about.
type placeDecided struct {
	Position string `json:"position"`
}

func applyLocked(s *State, _ stream.Entry) error {
	s.place.Stage = Locked
	return nil
}

// frozenDecided names what the freeze rests on beside the verdict.
type frozenDecided struct {
	Position string   `json:"position"`
	Cautions []string `json:"cautions,omitempty"`
}

func decideFreeze(a *asked) (stream.Decision, error) {
	b, _ := fact[bay](a.facts, a.state.bayKey(a.state.sheet().Bay))
	return a.entry(frozenDecided{Position: a.state.place.Position, Cautions: append(floorCautions(b, a.now), a.expiredCautions()...)})
}

func applyFrozen(s *State, _ stream.Entry) error {
	s.place.Stage, s.place.Closing, s.place.Closed = Frozen, nil, nil
	return nil
}

func needsLock(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{s.vehicleKey()}
}

// needsFreeze asks again for the facts that the verdict rests on.
func needsFreeze(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return append(keysOf(s.place.Relied), s.vehicleKey())
}

type voidOrder struct {
	Cause string `json:"cause"`
}

func readVoid(o *strict.Object, _ bool) any { return voidOrder{Cause: o.Enum("cause", Causes...)} }

// voidedDecided says what a void ended beside the set-up.
type voidedDecided struct {
	Position    string  `json:"position,omitempty"`
	Stage       Stage   `json:"stage"` // that was lost
	Interrupted *LegRef `json:"interrupted,omitempty"`
}

func decideVoid(a *asked) (stream.Decision, error) {
	d, err := a.entry(voidedDecided{
		Position: a.state.place.Position, Stage: a.state.place.Stage, Interrupted: a.state.runningLeg(),
	})
	d.Ends = a.state.runner()
	return d, err
}

func applyVoided(s *State, e stream.Entry) error {
	var o voidOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.place = Place{Position: s.place.Position, Stage: None, Void: o.Cause}
	if o.Cause == targetSwapped {
		s.fitted = "" // its id is read back again
	}
	if s.phase == Running {
		s.interrupt(e)
	}
	return nil
}
