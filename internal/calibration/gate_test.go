package calibration

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestWhatAGateHoldsBack goes through how a gate can stand, for each grade and each moment it is due by. What is expected is
// written from docs/procedures.md.
func TestWhatAGateHoldsBack(t *testing.T) {
	t.Parallel()
	soon, past := morning.Add(time.Minute), morning.Add(-time.Minute)
	stands := map[string]Gate{
		"not answered":                 {},
		"not met":                      {Answered: true},
		"not met, waived":              {Answered: true, Waived: &Waiver{}},
		"met":                          {Answered: true, Met: true},
		"met, counts on":               {Answered: true, Met: true, RunsOut: &soon},
		"met, until this moment":       {Answered: true, Met: true, RunsOut: &morning},
		"met, run out":                 {Answered: true, Met: true, RunsOut: &past},
		"met outside caution":          {Answered: true, Met: true, Cautioned: true},
		"met outside caution, waived":  {Answered: true, Met: true, Cautioned: true, Waived: &Waiver{}},
		"not met, waived, but run out": {Answered: true, Waived: &Waiver{}, RunsOut: &past},
	}
	// How a gate stands that holds back the leg, by grade; the same for the drive.
	holds := map[Grade][]string{
		Required: {"not answered", "not met", "not met, waived", "met, run out", "met outside caution", "not met, waived, but run out"},
		Caution:  {"not answered", "not met", "met, run out", "not met, waived, but run out"},
		Recorded: {"not answered", "met, run out", "not met, waived, but run out"},
	}
	// The request waits for required gates alone, and the specialist who may waive is not there yet.
	holdsRequest := []string{"not answered", "not met", "not met, waived", "met, run out", "not met, waived, but run out"}
	for name, gate := range stands {
		for grade := range holds {
			gate.Grade = grade
			for _, due := range []Due{ByRequest, ByLeg, ByDrive} {
				gate.Due = due
				is := func(by Due) bool { return gate.holdsBack(by, morning) }
				if due == ByRequest && grade == Required {
					require.Equal(t, slices.Contains(holdsRequest, name), is(ByRequest), "the request: %s, %s, by %s", name, grade, due)
				} else {
					require.False(t, is(ByRequest), "the request: %s, %s, by %s", name, grade, due)
				}
				for _, by := range []Due{ByLeg, ByDrive} {
					want := (due == by || due == ByRequest) && slices.Contains(holds[grade], name)
					require.Equal(t, want, is(by), "the %s: %s, %s, by %s", by, name, grade, due)
				}
			}
		}
	}
}

// TestAGateThatIsNoLongerMetHoldsTheLeg: what was met when guidance was asked for must still be when the routine runs.
func TestAGateThatIsNoLongerMetHoldsTheLeg(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.do(technician, "record-gate", `{"gate":"space-clear","met":false,"evidence":"declared"}`)
	w.refusedBy("gates-by-leg", technician, "bay-clear", `{}`)
	w.refusedBy("gates-by-leg", specialist, "go", `{}`)
	w.do(technician, "record-gate", `{"gate":"space-clear","met":true,"evidence":"declared"}`)
	w.do(technician, "bay-clear", `{}`)
}

// TestWhatCanBeWaived: a caution that is not met, and a required gate met only outside its caution; once, and while the
// answer counts.
func TestWhatCanBeWaived(t *testing.T) {
	t.Parallel()
	past := morning.Add(-time.Minute)
	for name, c := range map[string]struct {
		gate Gate
		says string // of the refusal; "": it can be waived
	}{
		"caution, not met":                     {Gate{Asked: Asked{Grade: Caution}, Answered: true}, ""},
		"required, met outside its caution":    {Gate{Asked: Asked{Grade: Required}, Answered: true, Met: true, Cautioned: true}, ""},
		"required, not met":                    {Gate{Asked: Asked{Grade: Required}, Answered: true}, "cannot be waived"},
		"required, met":                        {Gate{Asked: Asked{Grade: Required}, Answered: true, Met: true}, "cannot be waived"},
		"recorded":                             {Gate{Asked: Asked{Grade: Recorded}, Answered: true}, "cannot be waived"},
		"recorded, outside its caution":        {Gate{Asked: Asked{Grade: Recorded}, Answered: true, Met: true, Cautioned: true}, "cannot be waived"},
		"caution, not answered":                {Gate{Asked: Asked{Grade: Caution}}, "not answered yet"},
		"caution, not met, run out":            {Gate{Asked: Asked{Grade: Caution}, Answered: true, RunsOut: &past}, "has run out"},
		"caution, met":                         {Gate{Asked: Asked{Grade: Caution}, Answered: true, Met: true}, "nothing to waive"},
		"caution, not met, waived":             {Gate{Asked: Asked{Grade: Caution}, Answered: true, Waived: &Waiver{}}, "waived already"},
		"required, outside its caution, ditto": {Gate{Asked: Asked{Grade: Required}, Answered: true, Met: true, Cautioned: true, Waived: &Waiver{}}, "waived already"},
	} {
		why := c.gate.waivable(morning)
		require.Equal(t, c.says == "", why == "", "%s: %s", name, why)
		require.Contains(t, why, c.says, name)
	}
}
