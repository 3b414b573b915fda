package phrase

import (
	"fmt"
	"strings"

	"readback/internal/calibration"
	"readback/internal/figure"
	"readback/internal/stream"
)

func ptr(n int64) *int64 { return &n }

type named[T any] struct {
	name string
	it   T
}

// steps are one of each kind of instruction, with the invented numbers of the example set-up.
func steps() []named[calibration.Instruction] {
	left := func(um int64) *calibration.Shift { return &calibration.Shift{To: "left", UM: um} }
	right := func(um int64) *calibration.Shift { return &calibration.Shift{To: "right", UM: um} }
	return []named[calibration.Instruction]{
		{"position 2, left", calibration.Instruction{Kind: calibration.GoToPosition, Position: "2", ValueUM: ptr(620_000), Side: "left",
			Datum: "thrust-line", ToleranceUM: 5_000, FromHere: left(1_240_000), FromCentre: left(620_000)}},
		{"position near right", calibration.Instruction{Kind: calibration.GoToPosition, Position: "near right", ValueUM: ptr(812_750), Side: "right",
			Datum: "centreline", ToleranceUM: 2_500, FromHere: right(25_400), FromCentre: right(812_750)}},
		{"position 1, centre", calibration.Instruction{Kind: calibration.GoToPosition, Position: "1", ValueUM: ptr(0), Side: "centre",
			Datum: "thrust-line", ToleranceUM: 5_000, FromHere: left(620_000)}},
		{"centre of the centreline", calibration.Instruction{Kind: calibration.GoToPosition, Position: "1", ValueUM: ptr(0), Side: "centre", Datum: "centreline"}},
		{"distance", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_480_000), Datum: "front-bumper", ToleranceUM: 5_000}},
		{"distance from the front axle", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(25_400), Datum: "front-axle"}},
		{"distance from the rear axle", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_000), Datum: "rear-axle", ToleranceUM: 1_000}},
		{"distance from the rear bumper", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(3_456_700), Datum: "rear-bumper"}},
		{"distance from the sensor", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(9_080_000), Datum: "sensor"}},
		{"height", calibration.Instruction{Kind: calibration.SetHeight, ValueUM: ptr(1_260_000), Datum: "wheel-plane", ToleranceUM: 4_000}},
		{"move to the right", calibration.Instruction{Kind: calibration.MoveFixture, Move: "shift", ValueUM: ptr(120_000), Side: "right", Datum: "here"}},
		{"turn by hand's breadths", calibration.Instruction{Kind: calibration.MoveFixture, Move: "turn", ValueUM: ptr(86_000), Side: "towards-car", Datum: "here"}},
		{"target", calibration.Instruction{Kind: calibration.FitTarget, Target: "T-CAM-07"}},
		{"target with a space", calibration.Instruction{Kind: calibration.FitTarget, Target: "B 12"}},
		{"distance limited farther", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_480_000), Datum: "front-bumper", UpperUM: ptr(5_000)}},
		{"distance limited both ways", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_480_000), Datum: "front-bumper", LowerUM: ptr(-2_000), UpperUM: ptr(10_000)}},
		{"distance beyond the nominal", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_480_000), Datum: "front-bumper", LowerUM: ptr(2_000), UpperUM: ptr(10_000)}},
		{"height not lower", calibration.Instruction{Kind: calibration.SetHeight, ValueUM: ptr(1_260_000), Datum: "wheel-plane", LowerUM: ptr(0), UpperUM: ptr(3_000)}},
		{"distance nearer than the nominal", calibration.Instruction{Kind: calibration.SetDistance, ValueUM: ptr(1_480_000), Datum: "front-bumper", LowerUM: ptr(-10_000), UpperUM: ptr(-2_000)}},
		{"height not higher", calibration.Instruction{Kind: calibration.SetHeight, ValueUM: ptr(1_260_000), Datum: "wheel-plane", LowerUM: ptr(-4_000), UpperUM: ptr(0)}},
		{"left, limited to the left", calibration.Instruction{Kind: calibration.GoToPosition, Position: "2", ValueUM: ptr(620_000), Side: "left", Datum: "thrust-line", UpperUM: ptr(5_000)}},
		{"right, limited to the left", calibration.Instruction{Kind: calibration.GoToPosition, Position: "3", ValueUM: ptr(620_000), Side: "right", Datum: "thrust-line", UpperUM: ptr(5_000)}},
		{"centre, not to the right", calibration.Instruction{Kind: calibration.GoToPosition, Position: "1", ValueUM: ptr(0), Side: "centre", Datum: "thrust-line", LowerUM: ptr(0), UpperUM: ptr(5_000)}},
		{"centre, not to the left", calibration.Instruction{Kind: calibration.GoToPosition, Position: "1", ValueUM: ptr(0), Side: "centre", Datum: "thrust-line", LowerUM: ptr(-3_000), UpperUM: ptr(0)}},
	}
}

// moves are one of each kind and direction.
func moves() []named[calibration.Move] {
	return []named[calibration.Move]{
		{"turn", calibration.Move{Move: "turn", LeftEnd: "towards-car", ByUdeg: ptr(400_000), EndUM: ptr(8_000)}},
		{"turn away", calibration.Move{Move: "turn", LeftEnd: "away", ByUdeg: ptr(50_000), EndUM: ptr(1_000)}},
		{"roll up", calibration.Move{Move: "roll", LeftEnd: "up", ByUdeg: ptr(1_000_000), EndUM: ptr(19_000)}},
		{"roll down", calibration.Move{Move: "roll", LeftEnd: "down", ByUdeg: ptr(1_000_000), EndUM: ptr(19_000)}},
		{"tilt", calibration.Move{Move: "tilt", Top: "away", ByUdeg: ptr(350_000)}},
		{"tilt one degree", calibration.Move{Move: "tilt", Top: "towards-car", ByUdeg: ptr(1_000_000)}},
		{"tilt two and a half", calibration.Move{Move: "tilt", Top: "away", ByUdeg: ptr(2_500_000)}},
		{"shift left", calibration.Move{Move: "shift", To: "left", ByUM: ptr(6_000)}},
		{"shift right", calibration.Move{Move: "shift", To: "right", ByUM: ptr(120_000)}},
		{"shift down", calibration.Move{Move: "shift", To: "down", ByUM: ptr(3_000)}},
		{"slide right", calibration.Move{Move: "slide", To: "right", ByUM: ptr(25_400)}},
		{"slide left", calibration.Move{Move: "slide", To: "left", ByUM: ptr(1_000)}},
	}
}

func verdicts() []*calibration.Verdict {
	all := []*calibration.Verdict{nil, {Verdict: "within"}, {Verdict: "adjust"}, {Verdict: "unsure"}, {Verdict: "remeasure"}}
	return append(all, &calibration.Verdict{Verdict: "undetermined", Missing: []string{"distance", "lateral", "height", "yaw", "roll", "tilt", "range", "azimuth"}})
}

// turns are one of each command that the state can expect of somebody.
func turns() []calibration.Turn {
	var all []calibration.Turn
	for _, do := range strings.Fields("record-gate settle-vin request issue-sheet read-back done report-readings lock freeze report-closing bay-clear restart sign close") {
		all = append(all, calibration.Turn{Who: stream.Technician, Do: do, Step: 3, Gate: "doors-shut", Position: "2"})
	}
	for _, do := range strings.Fields("claim adopt-sheet instruct correct confirm go end-leg declare") {
		all = append(all, calibration.Turn{Who: stream.Specialist, Do: do, Step: 3, Position: "2"})
	}
	for _, kind := range []string{calibration.GoToPosition, calibration.FitTarget, calibration.MoveFixture} {
		all = append(all, calibration.Turn{Who: stream.Specialist, Do: "instruct", Kind: kind, Position: "2"})
	}
	return append(all, calibration.Turn{Who: stream.Technician, Do: "declare", Outcome: calibration.Withdrawn})
}

// tell says everything there is to say, for a person to read.
func tell(v Voice) string {
	var b strings.Builder
	words := func(name string, w Words) {
		fmt.Fprintf(&b, "%s\n  written   %s\n  long      %s\n  spoken    %s\n", name, w.Written(), w.Long, w.Spoken)
		if w.ReadBack != "" {
			fmt.Fprintf(&b, "  read back %s\n", w.ReadBack)
		}
	}
	for _, s := range steps() {
		words(s.name, v.Step(s.it))
	}
	for _, m := range moves() {
		words(m.name, v.Move(m.it))
	}
	for _, each := range verdicts() {
		fmt.Fprintf(&b, "verdict     %s\n", v.Verdict(each))
	}
	for _, t := range turns() {
		fmt.Fprintf(&b, "turn        %s\n", v.Turn(t))
	}
	for digit := range 10 {
		b.WriteString(v.spell(fmt.Sprint(digit)) + " ")
	}
	b.WriteString(v.spoken(figure.Of(-1_500, figure.MM)) + "\n")
	return b.String()
}
