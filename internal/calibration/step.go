package calibration

import (
	"fmt"
	"slices"
	"time"

	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// The steps a specialist can instruct.
const (
	GoToPosition = "go-to-position" // the target to another position: how far to which side of the reference line
	SetDistance  = "set-distance"   // the target's distance from the datum
	SetHeight    = "set-height"     // the target's height above the plane of the wheels
	FitTarget    = "fit-target"     // the one target the sheet asks for
	MoveFixture  = "move"           // a move that the standing verdict asks for, if it is too large for a nudge
)

// NudgeUM is the largest move, in micrometres, that people do on the verdict's word alone: the answer is there before
// the hand is back on the knob. A larger one is instructed and read back. Of a turn or a roll it is the way of the end.
const NudgeUM = 50_000

// Here is the datum of a move: where the fixture stands.
const Here = "here"

// Instruction is one step as the specialist sends it, one quantity each. The numbers are composed from the sheet and the
// geometry, never typed.
type Instruction struct {
	Kind        string `json:"step"`
	Position    string `json:"position,omitempty"`
	Target      string `json:"target,omitempty"`
	ValueUM     *int64 `json:"value_um,omitempty"`
	Move        string `json:"move,omitempty"`  // of a move: turn, roll, shift or slide
	Side        string `json:"side,omitempty"`  // left, right or centre of the reference line; where to, of a move
	Datum       string `json:"datum,omitempty"` // what the value counts from
	ToleranceUM int64  `json:"tolerance_um,omitempty"`
	LowerUM     *int64 `json:"lower_um,omitempty"`    // limits that are not ±: deviations, of which one may be missing;
	UpperUM     *int64 `json:"upper_um,omitempty"`    // left positive, farther from the car, higher
	FromHere    *Shift `json:"from_here,omitempty"`   // from where the target stands now
	FromCentre  *Shift `json:"from_centre,omitempty"` // from the reference line
}

// Shift is a way to go: away from the car, towards it, left, right, up or down.
type Shift struct {
	To string `json:"to"`
	UM int64  `json:"um"`
}

// Step is an instruction and how far it has come.
type Step struct {
	Number int `json:"number"` // from 1
	Instruction
	State    string     `json:"state"`
	Wrong    []string   `json:"wrong,omitempty"` // what the last read-back had wrong
	Slip     string     `json:"slip,omitempty"`  // how its number was wrong, if that can be told
	Misread  int        `json:"misread"`         // how often it was read back wrongly
	Answered *time.Time `json:"answered,omitempty"`
	At       time.Time  `json:"at"`    // when it was instructed
	Since    time.Time  `json:"since"` // when it came into its state
}

// The states of a step.
const (
	StepInstructed = "instructed" // waits for the technician's read-back
	StepWrong      = "wrong"      // read back, and not what was instructed
	StepMatched    = "matched"    // read back rightly; waits for the specialist's confirmation
	StepConfirmed  = "confirmed"  // the technician acts now, and not before
	StepDone       = "done"
	StepWithdrawn  = "withdrawn"
)

// Open reports whether the step is neither done nor withdrawn.
func (s Step) Open() bool { return s.State != StepDone && s.State != StepWithdrawn }

type instructOrder struct {
	Step     string `json:"step"`
	Position string `json:"position"`
}

func readInstruct(o *strict.Object, _ bool) any {
	i := instructOrder{Step: o.Enum("step", GoToPosition, SetDistance, SetHeight, FitTarget, MoveFixture)}
	if i.Step == GoToPosition {
		i.Position = o.String("position", 60)
	}
	return i
}

func needsInstruct(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return append(s.geometryKeys(nil), s.vehicleKey())
}

// Vocabulary is the version of the steps there are and of what each says. An entry names the one it was made with.
const Vocabulary = 1

type instructedDecided struct {
	Step       int         `json:"number"`
	Vocabulary int         `json:"vocabulary"`
	Says       Instruction `json:"says"`
}

func decideInstruct(a *asked) (stream.Decision, error) {
	o := a.data.(instructOrder)
	says, err := a.compose(o)
	if err != nil {
		return stream.Decision{}, err
	}
	return a.entry(instructedDecided{Step: len(a.state.steps) + 1, Vocabulary: Vocabulary, Says: says})
}

// compose makes the instruction's numbers from the sheet and the geometry.
func (a *asked) compose(o instructOrder) (Instruction, error) {
	s, sheet := a.state, a.state.sheet()
	says := Instruction{Kind: o.Step}
	if o.Step == FitTarget {
		says.Target = sheet.Target
		return says, nil
	}
	if o.Step == MoveFixture {
		m, _ := s.place.Verdict.large() // there is one: large-move holds
		return m.instruction(), nil
	}
	name := s.place.Position
	if o.Step == GoToPosition {
		name = o.Position
		says.Position = name
	}
	plan, err := a.plan(sheet, nil)
	if err != nil {
		return Instruction{}, err
	}
	at := func(name string) Planned {
		return plan[slices.IndexFunc(plan, func(p Planned) bool { return p.Name == name })]
	}
	there := at(name)
	switch o.Step {
	case GoToPosition:
		value := there.LateralUM
		says.Side, says.Datum = "centre", sheet.line
		if value != 0 {
			says.FromCentre = sideways(value)
			says.Side = says.FromCentre.To
		}
		value = abs(value)
		says.ValueUM = &value
		says.within(sheet.tolerance[placement.LateralMM])
		says.FromHere = sideways(there.LateralUM - at(s.place.Position).LateralUM)
	case SetDistance:
		says.ValueUM, says.Datum = &there.DistanceUM, sheet.datum
		says.within(sheet.tolerance[placement.DistanceMM])
	case SetHeight:
		says.ValueUM, says.Datum = &there.HeightUM, "wheel-plane"
		says.within(sheet.tolerance[placement.HeightMM])
	}
	return says, nil
}

// within states the limits of the quantity, if it has any.
func (i *Instruction) within(l placement.Limits) {
	if t, is := l.PlusMinus(); is {
		i.ToleranceUM = um(t)
		return
	}
	i.LowerUM, _ = optional(l.Lower, placement.MM)
	i.UpperUM, _ = optional(l.Upper, placement.MM)
}

// sideways is a way across the reference line, left positive; nil for none.
func sideways(v int64) *Shift {
	switch {
	case v > 0:
		return &Shift{To: "left", UM: v}
	case v < 0:
		return &Shift{To: "right", UM: -v}
	}
	return nil
}

func abs(v int64) int64 { return max(v, -v) }

func applyInstructed(s *State, e stream.Entry) error {
	var d instructedDecided
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	s.steps = appended(s.steps, Step{Number: d.Step, Instruction: d.Says, State: StepInstructed, At: e.At, Since: e.At})
	return nil
}

// stepOrder is a command about one step.
type stepOrder struct {
	Step int `json:"step"`
}

func (o stepOrder) number() int { return o.Step }

func readStep(o *strict.Object, _ bool) any { return stepOrder{Step: readStepNumber(o)} }

func readStepNumber(o *strict.Object) int { return int(o.Int("step", 1, 100000)) }

// changeStep gives the step an entry is about, to change, in a list of its own.
func (s *State) changeStep(e stream.Entry, decided any) (*Step, error) {
	var o stepOrder
	if err := parse(e, &o, decided); err != nil {
		return nil, err
	}
	if o.Step < 1 || o.Step > len(s.steps) {
		return nil, fmt.Errorf("no step %d", o.Step)
	}
	s.steps = slices.Clone(s.steps)
	step := &s.steps[o.Step-1]
	step.Since = e.At
	return step, nil
}

func decideStep(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyConfirmed(s *State, e stream.Entry) error { return s.setStep(e, StepConfirmed) }

func applyCorrected(s *State, e stream.Entry) error { return s.setStep(e, StepInstructed) }

func applyWithdrawn(s *State, e stream.Entry) error { return s.setStep(e, StepWithdrawn) }

func (s *State) setStep(e stream.Entry, state string) error {
	step, err := s.changeStep(e, nil)
	if err != nil {
		return err
	}
	step.State, step.Wrong, step.Slip = state, nil, ""
	return nil
}

type doneOrder struct {
	stepOrder
	Moved bool `json:"moved"`
}

// readDone reads moved, which a fit-target needs where the fixture was touched; the other steps move it anyway.
func readDone(o *strict.Object, _ bool) any {
	return doneOrder{stepOrder: stepOrder{Step: readStepNumber(o)}, Moved: o.OptBool("moved", false)}
}

type doneDecided struct {
	Position string `json:"position"` // where the fixture stands now
	Fallen   bool   `json:"fallen"`   // what was measured before no longer stands
}

func decideDone(a *asked) (stream.Decision, error) {
	o := a.data.(doneOrder)
	step := a.state.steps[o.Step-1]
	d := doneDecided{Position: a.state.place.Position, Fallen: step.Kind != FitTarget || o.Moved}
	if step.Kind == GoToPosition {
		d.Position = step.Position
	}
	return a.entry(d)
}

func applyDone(s *State, e stream.Entry) error {
	var d doneDecided
	step, err := s.changeStep(e, &d)
	if err != nil {
		return err
	}
	step.State = StepDone
	if step.Kind == FitTarget {
		s.fitted = step.Target
	}
	if d.Fallen {
		s.place = Place{Position: d.Position, Stage: None}
	}
	return nil
}
