package placement

import (
	"encoding/json"

	"readback/internal/strict"
)

// The kinds of fixture.
const (
	Board     = "board"     // a rigid board or crossbar that carries the target
	Reflector = "reflector" // a point
)

// How a board's target gets to the lateral of its position.
const (
	CarriedSlide = "slide" // the board stays on the reference line and the target slides along it
	CarriedStand = "stand" // the whole stand is carried there
)

// Fixture is what carries the target. A reflector has a kind and nothing else.
//
// In a board's own axes, which are parallel to the car's when it is not turned (ahead of the car and behind it
// alike), the target is at (0, slide, 0) and the ends are at (EndAheadOfTargetMM, ±HalfWidthMM, EndAboveTargetMM).
type Fixture struct {
	Kind               string  `json:"kind"`
	HalfWidthMM        float64 `json:"half_width_mm,omitempty"`
	EndAboveTargetMM   float64 `json:"end_above_target_mm,omitempty"`
	EndAheadOfTargetMM float64 `json:"end_ahead_of_target_mm,omitempty"`
	Carried            string  `json:"carried,omitempty"`
}

// DecodeFixture reads a fixture on its own.
func DecodeFixture(raw json.RawMessage, path string) (Fixture, error) {
	return decode(raw, path, readFixture)
}

func readFixture(o *strict.Object) Fixture {
	f := Fixture{Kind: o.Enum("kind", Board, Reflector)}
	switch f.Kind {
	case Board:
		f.HalfWidthMM = o.Float("half_width_mm", strict.Range{Min: 20, Max: 5000, Unit: "mm"})
		f.EndAboveTargetMM, _ = o.OptFloat("end_above_target_mm", strict.Range{Min: -3000, Max: 3000, Unit: "mm"})
		f.EndAheadOfTargetMM, _ = o.OptFloat("end_ahead_of_target_mm", strict.Range{Min: -1000, Max: 1000, Unit: "mm"})
		f.Carried = o.OptEnum("carried", CarriedSlide, CarriedSlide, CarriedStand)
	case Reflector:
		for _, key := range []string{"half_width_mm", "end_above_target_mm", "end_ahead_of_target_mm", "carried"} {
			if o.Has(key) {
				o.OptRaw(key)
				o.Reject(key, "leave it out: a reflector is a point")
			}
		}
	default:
		o.Ignore()
	}
	return f
}

// The marks of a fixture that readings run to.
const (
	LeftEnd  = "left-end"
	RightEnd = "right-end"
	Target   = "target"
)

var allMarks = []string{LeftEnd, RightEnd, Target}

// marks lists those that the fixture has.
func (f Fixture) marks() []string {
	if f.Kind == Reflector {
		return []string{Target}
	}
	return allMarks
}
