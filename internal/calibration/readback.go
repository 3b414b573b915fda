package calibration

import (
	"strings"

	"readback/internal/fault"
	"readback/internal/figure"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// readBackOrder is what the technician says back; which of the keys belong depends on the step. A number is said either
// exactly, in micrometres, or as the digits that were shown with their unit.
type readBackOrder struct {
	stepOrder
	ValueUM  *int64      `json:"value_um"`
	Value    string      `json:"value"`
	Unit     figure.Unit `json:"unit"`
	Side     string      `json:"side"`
	Position string      `json:"position"`
	Target   string      `json:"target"`
}

func readReadBack(o *strict.Object, _ bool) any {
	r := readBackOrder{
		stepOrder: stepOrder{Step: readStepNumber(o)},
		Side:      o.OptEnum("side", "", "left", "right", "centre", placement.TowardsCar, placement.Away, placement.ToUp, placement.ToDown),
		Position:  o.OptString("position", 60),
		Target:    o.OptString("target", 60),
		Value:     o.OptString("value", 20),
		Unit:      figure.Unit(o.OptEnum("unit", "", string(figure.MM), string(figure.Inch))),
	}
	if v, there := o.OptInt("value_um", -50_000_000, 50_000_000); there {
		r.ValueUM = &v
	}
	switch {
	case o.Has("value") != o.Has("unit"):
		o.Reject("unit", "value and unit together: a number alone is not read back")
	case r.ValueUM != nil && r.Value != "":
		o.Reject("value", "value with unit, or value_um: one of the two")
	case r.Value != "" && r.Unit != "":
		if _, err := figure.Parse(r.Value, r.Unit, "value"); err != nil {
			o.Reject("value", fault.Of(err).Fields[0].Want)
		}
	}
	return r
}

// What a read-back can have wrong, besides position, side and target.
const (
	WrongValue = "value" // the number
	WrongUnit  = "unit"  // the number is the one shown in the other unit
)

type readBackDecided struct {
	Matches bool     `json:"matches"`
	Wrong   []string `json:"wrong,omitempty"`
	Slip    string   `json:"slip,omitempty"` // how the number differs: transposed, tenfold or one-digit
}

func decideReadBack(a *asked) (stream.Decision, error) {
	o := a.data.(readBackOrder)
	says := a.state.steps[o.Step-1].Instruction
	d := readBackDecided{}
	var missing []fault.Field
	belongs := func(key string, asked, said bool) bool {
		switch {
		case asked && !said:
			missing = append(missing, fault.Field{Name: "data." + key, Want: "missing: say it back"})
		case !asked && said:
			missing = append(missing, fault.Field{Name: "data." + key, Want: "leave it out: it is not part of this step"})
		}
		return asked && said
	}
	compare := func(key, asked, said string, same bool) {
		if belongs(key, asked != "", said != "") && !same {
			d.Wrong = append(d.Wrong, key)
		}
	}
	compare("position", says.Position, o.Position, o.Position == says.Position)
	number := "value_um"
	if o.Value != "" {
		number = "value"
	}
	if belongs(number, says.ValueUM != nil, o.ValueUM != nil || o.Value != "") {
		wrong, slip := o.wrongNumber(*says.ValueUM)
		if d.Slip = slip; wrong != "" {
			d.Wrong = append(d.Wrong, wrong)
		}
	}
	compare("side", says.Side, o.Side, o.Side == says.Side)
	compare("target", says.Target, o.Target, strings.EqualFold(o.Target, says.Target))
	if missing != nil {
		return stream.Decision{}, fault.New(fault.InvalidInput, "A read-back says what was instructed, all of it and nothing else.", missing...)
	}
	d.Matches = d.Wrong == nil
	return a.entry(d)
}

// wrongNumber compares the number said with the one instructed: digits with those that were shown in that unit. It gives what
// is wrong, "" for nothing, and how.
func (o readBackOrder) wrongNumber(um int64) (wrong, slip string) {
	if o.Value == "" {
		if *o.ValueUM == um {
			return "", ""
		}
		return WrongValue, figure.Slip(figure.Of(um, figure.MM), figure.Of(*o.ValueUM, figure.MM))
	}
	said, err := figure.Parse(o.Value, o.Unit, "")
	shown := figure.Of(um, o.Unit)
	if err == nil && said == shown {
		return "", ""
	}
	other := figure.Inch
	if o.Unit == figure.Inch {
		other = figure.MM
	}
	if there, err := figure.Parse(o.Value, other, ""); err == nil && there == figure.Of(um, other) {
		return WrongUnit, ""
	}
	return WrongValue, figure.Slip(shown, said)
}

func applyReadBack(s *State, e stream.Entry) error {
	var d readBackDecided
	step, err := s.changeStep(e, &d)
	if err != nil {
		return err
	}
	step.State, step.Wrong, step.Slip, step.Answered = StepMatched, d.Wrong, d.Slip, &e.At
	if !d.Matches {
		step.State = StepWrong
		step.Misread++
	}
	return nil
}
