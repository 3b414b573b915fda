package calibration

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

func TestOneCalibrationFromGatesToClosed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.issue()
	require.Equal(t, Turn{Who: stream.Technician, Do: "record-gate", Gate: "floor-surveyed"}, w.state().Turn(w.now))
	w.place() // set up before a specialist has come
	require.Equal(t, VerdictWithin, w.state().place.Verdict.Verdict)
	w.request()
	require.Equal(t, Waiting, w.state().Phase())
	w.claim()
	require.Equal(t, "adopt-sheet", w.state().Turn(w.now).Do)
	w.adopt()
	w.fit()
	require.Equal(t, Placed, w.state().place.Stage, "to read a target's id moves nothing")
	w.lock()
	w.freeze()
	w.close()
	require.Equal(t, Held, w.state().place.Stage)
	require.ElementsMatch(t, []string{"distance", "lateral", "yaw"}, w.state().place.Closed.Sees)
	w.start()
	require.Equal(t, Running, w.state().Phase())
	w.do(specialist, "end-leg", `{"outcome":"completed","note":"values within the routine's own limits"}`)
	for _, p := range []string{"left", "right"} {
		require.Equal(t, Turn{Who: stream.Specialist, Do: "instruct", Kind: GoToPosition, Position: p}, w.state().Turn(w.now))
		w.goTo(p)
		require.Equal(t, None, w.state().place.Stage, "nothing measured is carried over")
		w.leg()
	}
	require.Len(t, w.state().Attempts(), 1)
	require.Len(t, w.state().Attempts()[0].Legs, 3)
	require.Equal(t, "declare", w.state().Turn(w.now).Do)
	w.do(specialist, "declare", `{"outcome":"completed"}`)
	w.do(technician, "sign", `{}`)
	w.do(specialist, "sign", `{}`)
	w.do(technician, "close", `{}`)
	require.Equal(t, Closed, w.state().Phase())
	require.Equal(t, Turn{}, w.state().Turn(w.now))
	refold(t, w)
}

// refold folds the entries again, after a way through JSON, and compares.
func refold(t require.TestingT, w *world) {
	f := stream.NewFold(Rules{}, calibrationID)
	for _, e := range w.made {
		require.NoError(t, f.Apply(e))
	}
	require.Equal(t, w.fold.State, f.State)
}

// Common practice, no source: a target 1102 mm from the centre of the front bumper, its height 1350 mm, three positions:
// the centre; 550 mm to the left of it; 550 mm to the right of it, which is 1100 mm from where the target then stands.
func TestInstructionsOfThreePositions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	says := func(data string) Instruction {
		n := w.instruct(data)
		got := w.state().steps[n-1].Instruction
		said := fmt.Sprintf(`"value_um":%d`, *got.ValueUM)
		if got.Position != "" {
			said += fmt.Sprintf(`,"position":"%s","side":"%s"`, got.Position, got.Side)
		}
		w.finish(n, said)
		return got
	}
	value := func(v int64) *int64 { return &v }
	require.Equal(t, Instruction{Kind: SetDistance, ValueUM: value(1_102_000), Datum: "front-bumper", ToleranceUM: 5000}, says(`{"step":"set-distance"}`))
	require.Equal(t, Instruction{Kind: SetHeight, ValueUM: value(1_350_000), Datum: "wheel-plane", ToleranceUM: 4000}, says(`{"step":"set-height"}`))
	require.Equal(t, Instruction{Kind: GoToPosition, Position: "centre", ValueUM: value(0), Side: "centre", Datum: "thrust-line", ToleranceUM: 5000},
		says(`{"step":"go-to-position","position":"centre"}`))
	require.Equal(t, Instruction{
		Kind: GoToPosition, Position: "left", ValueUM: value(550_000), Side: "left", Datum: "thrust-line", ToleranceUM: 5000,
		FromHere: &Shift{"left", 550_000}, FromCentre: &Shift{"left", 550_000},
	}, says(`{"step":"go-to-position","position":"left"}`))
	require.Equal(t, Instruction{
		Kind: GoToPosition, Position: "right", ValueUM: value(550_000), Side: "right", Datum: "thrust-line", ToleranceUM: 5000,
		FromHere: &Shift{"right", 1_100_000}, FromCentre: &Shift{"right", 550_000},
	}, says(`{"step":"go-to-position","position":"right"}`))
}

// Limits that are not ± go with the instruction and the verdict side by side, as they were stated.
func TestLimitsBySide(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.gates()
	w.do(technician, "issue-sheet", replaced(t, replaced(t, sheetData(), `"distance_um":5000`, `"distance_um":{"upper":5000}`), `"lateral_um":5000`, `"lateral_um":{"lower":-2500,"upper":10000}`))
	w.do(technician, "request", `{}`)
	w.claim()
	w.adopt()
	w.fit()
	value := func(v int64) *int64 { return &v }
	n := w.instruct(`{"step":"set-distance"}`)
	require.Equal(t, Instruction{Kind: SetDistance, ValueUM: value(1_102_000), Datum: "front-bumper", UpperUM: value(5000)}, w.state().steps[n-1].Instruction)
	w.finish(n, `"value_um":1102000`)
	n = w.instruct(`{"step":"go-to-position","position":"left"}`)
	require.Equal(t, []*int64{value(-2500), value(10_000)}, []*int64{w.state().steps[n-1].LowerUM, w.state().steps[n-1].UpperUM})
	w.finish(n, `"value_um":550000,"position":"left","side":"left"`)
	w.place()
	v := w.state().place.Verdict
	require.Equal(t, VerdictWithin, v.Verdict)
	require.Equal(t, "distance", v.Judged[0].Quantity)
	require.Equal(t, []*int64{nil, nil, value(5000)}, []*int64{v.Judged[0].ToleranceUM, v.Judged[0].LowerUM, v.Judged[0].UpperUM})
	require.Equal(t, []*int64{value(-2500), value(10_000)}, []*int64{v.Judged[1].LowerUM, v.Judged[1].UpperUM})
	require.Equal(t, value(4000), v.Judged[2].ToleranceUM)
}

func TestWrongReadBackIsCaughtBeforeAnythingMoves(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.place()
	n := w.instruct(`{"step":"go-to-position","position":"left"}`)
	e := w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"position":"left","value_um":550000,"side":"right"}`, n))
	require.JSONEq(t, `{"matches":false,"wrong":["side"]}`, string(e.Decided))
	require.Equal(t, "correct", w.state().Turn(w.now).Do)
	_, _, err := w.try(specialist, "confirm", fmt.Sprintf(`{"step":%d}`, n))
	require.Contains(t, fault.Of(err).Detail, "side")
	w.do(specialist, "correct", fmt.Sprintf(`{"step":%d}`, n))
	_, _, err = w.try(technician, "done", fmt.Sprintf(`{"step":%d}`, n))
	require.Equal(t, "confirmed", fault.Of(err).Fields[0].Want)
	require.Equal(t, "centre", w.state().place.Position)
	w.finish(n, `"position":"left","value_um":550000,"side":"left"`)
	require.Equal(t, "left", w.state().place.Position)
	require.Equal(t, 1, w.state().Steps()[n-1].Misread)

	n = w.instruct(`{"step":"fit-target"}`)
	_, _, err = w.try(technician, "read-back", fmt.Sprintf(`{"step":%d,"side":"left"}`, n))
	require.Equal(t, []fault.Field{
		{Name: "data.side", Want: "leave it out: it is not part of this step"}, {Name: "data.target", Want: "missing: say it back"},
	}, fault.Of(err).Fields)
	w.do(specialist, "withdraw-step", fmt.Sprintf(`{"step":%d}`, n))
	_, open := w.state().OpenStep()
	require.False(t, open)
}

func TestReadingsThatStand(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.issue()
	all := w.measured()
	w.do(technician, "report-readings", readingsData(true, all[:2]))
	require.Equal(t, VerdictUndetermined, w.state().place.Verdict.Verdict)
	require.Contains(t, w.state().place.Verdict.Missing, "height")
	w.do(technician, "report-readings", readingsData(false, all[2:]))
	require.Len(t, w.state().place.Standing, len(all), "readings come one by one, in any order")

	misread := w.measured(0, 0, 100_000)[2] // a tape misread by 100 mm
	w.do(technician, "report-readings", readingsData(false, []Reading{misread}))
	v := w.state().place.Verdict
	require.Equal(t, VerdictRemeasure, v.Verdict)
	require.Len(t, v.Suspects, 1)
	require.Equal(t, 2, v.Suspects[0].Reading)
	require.InDelta(t, 100_000, *v.Suspects[0].LikelyErrorUM, 6000, "within three times the uncertainty of what the others predict")

	e := w.do(technician, "report-readings", readingsData(false, []Reading{all[2]}))
	require.Equal(t, VerdictWithin, w.state().place.Verdict.Verdict, "the suspect taken again replaces it")
	require.Len(t, w.state().place.Standing, len(all))
	require.Equal(t, e.Seq, w.state().place.Standing[2].Entry)

	w.do(technician, "report-readings", readingsData(true, all[:1]))
	require.Len(t, w.state().place.Standing, 1, "after a move nothing measured before stands")
}

func TestVerdictIsComputedAgainFromTheEntries(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.issue()
	w.do(technician, "report-readings", readingsData(true, w.measured(0, 0, 9_000, -9_000, 8_000, -8_000, -12_000)))
	first := w.made[len(w.made)-1]
	before := stream.NewFold(Rules{}, calibrationID)
	for _, e := range w.made[:len(w.made)-1] {
		require.NoError(t, before.Apply(e))
	}
	keys, err := Rules{}.Needs(before.State, first.By.Actor(), first.Command)
	require.NoError(t, err)
	facts := stream.Facts{} // only what the trail holds
	for _, k := range keys {
		if f, ok := before.Held[k]; ok {
			facts[k] = f
		}
	}
	for _, f := range first.Facts {
		facts[f.Key] = f
	}
	again, _, err := before.Draft(first.By.Actor(), first.Command, nil, keys, facts, first.At)
	require.NoError(t, err)
	require.Equal(t, string(first.Decided), string(again.Decided))
	require.NotContains(t, string(first.Decided), ".", "integers only")
}

func TestAdjustGivesMovesAndCanBeWaived(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	// The board 9 mm to the left of its place: the spans from the hubs and the offset say so together.
	w.do(technician, "report-readings", readingsData(true, shifted(w, 9_000)))
	v := w.state().place.Verdict
	require.Equal(t, VerdictAdjust, v.Verdict)
	require.Len(t, v.Moves, 1)
	require.Equal(t, "shift", v.Moves[0].Move)
	require.Equal(t, "right", v.Moves[0].To)
	require.InDelta(t, 9_000, *v.Moves[0].ByUM, 1500, "moves are rounded to 1 mm; the readings' noise moves the estimate by less")
	_, _, err := w.try(technician, "lock", `{}`)
	require.Equal(t, "within-here", fault.Of(err).Fields[0].Want)
	w.do(specialist, "waive", `{"what":"verdict","reason":"The service information allows 10 mm at this position."}`)
	w.lock()
	w.freeze()
	closing := shifted(w, 9_000)
	w.do(technician, "report-closing", closingData([]Reading{closing[0], closing[6]}))
	require.Equal(t, ClosingHeld, w.state().place.Closed.Verdict)
	w.start()
	require.Equal(t, Running, w.state().Phase())
}

// shifted gives the readings of a board moved to the left by so many micrometres, from the plan's own geometry: spans
// change by the cosine of their direction, which is taken from a second plan with shifted positions.
func shifted(w *world, by int64) []Reading {
	other := newWorld(w.t)
	other.open()
	setup := fmt.Sprintf(`"positions":[{"name":"centre","lateral_um":%d},{"name":"left","lateral_um":%d},{"name":"right","lateral_um":%d}]`,
		by, 550_000+by, -550_000+by)
	const was = `"positions":[{"name":"centre","lateral_um":0},{"name":"left","lateral_um":550000},{"name":"right","lateral_um":-550000}]`
	other.do(technician, "issue-sheet", replaced(w.t, sheetData(), was, setup))
	return other.measured()
}

func TestTwoWords(t *testing.T) {
	t.Parallel()
	ready := func(t *testing.T) *world {
		w := newWorld(t)
		w.guided()
		w.held()
		return w
	}
	t.Run("in either order, the second starts the leg", func(t *testing.T) {
		t.Parallel()
		for _, order := range [][2]stream.Actor{{technician, specialist}, {specialist, technician}} {
			w := ready(t)
			say := map[stream.ID]string{technician.Member: "bay-clear", specialist.Member: "go"}
			w.do(order[0], say[order[0].Member], `{}`)
			w.now = w.now.Add(60 * time.Second)
			e, d, err := w.try(order[1], say[order[1].Member], `{}`)
			require.NoError(t, err)
			require.Equal(t, "leg-started", e.Type)
			require.Equal(t, specialist.Person(), *d.Runs)
			var got legDecided
			require.NoError(t, json.Unmarshal(e.Decided, &got))
			require.Equal(t, LegRef{Attempt: 1, Leg: 1, Position: "centre"}, got.LegRef)
			require.Len(t, got.Words, 2)
		}
	})
	t.Run("a word lapses without an entry", func(t *testing.T) {
		t.Parallel()
		w := ready(t)
		w.do(technician, "bay-clear", `{}`)
		_, left, ok := w.state().Words(w.now)
		require.True(t, ok)
		require.Equal(t, 60*time.Second, left)
		w.now = w.now.Add(60*time.Second + time.Millisecond)
		_, _, ok = w.state().Words(w.now)
		require.False(t, ok)
		e, d, err := w.try(specialist, "go", `{}`)
		require.NoError(t, err)
		require.Equal(t, "word-given", e.Type)
		require.Nil(t, d.Runs)
	})
	t.Run("whatever happens between takes the first word back, but a note", func(t *testing.T) {
		t.Parallel()
		w := ready(t)
		w.do(technician, "bay-clear", `{}`)
		w.do(specialist, "note", `{"text":"The routine asks for the ignition."}`)
		_, _, ok := w.state().Words(w.now)
		require.True(t, ok)
		w.do(technician, "record-gate", `{"gate":"doors-shut","met":true,"evidence":"declared"}`)
		_, _, ok = w.state().Words(w.now)
		require.False(t, ok)
	})
}

// TestNextSpecialistVouchesAnew hands a set-up that is ready back to the queue: whoever claims it adopts the sheet, hears
// the target's id read back and sees closing readings before a leg can start.
func TestNextSpecialistVouchesAnew(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.do(specialist, "return", `{"reason":"shift ends"}`)
	w.do(specialist, "claim", `{}`)
	require.Equal(t, Frozen, w.state().place.Stage)
	_, adopted, _ := w.state().Sheet()
	require.False(t, adopted)
	for _, step := range []struct {
		guard string
		mend  func()
	}{
		{"sheet-adopted", func() { w.adopt() }},
		{"target-fitted", func() { w.fit() }},
		{"closing-held", func() { w.close() }},
	} {
		_, _, err := w.try(specialist, "go", `{}`)
		require.Equal(t, step.guard, fault.Of(err).Fields[0].Want)
		step.mend()
	}
	w.start()
}

func TestStopAndRestart(t *testing.T) {
	t.Parallel()
	running := func(t *testing.T) *world {
		w := newWorld(t)
		w.guided()
		w.held()
		w.start()
		return w
	}
	t.Run("the same attempt goes on if the specialist says that the routine holds", func(t *testing.T) {
		t.Parallel()
		w := running(t)
		_, d, err := w.try(owner, "stop", `{}`)
		require.NoError(t, err)
		require.Equal(t, specialist.Person(), *d.Ends)
		require.Equal(t, LegInterrupted, w.state().Attempts()[0].Legs[0].Outcome)
		w.do(specialist, "restart", `{"routine_holds":true}`)
		w.do(technician, "restart", `{}`)
		require.Equal(t, Guided, w.state().Phase())
		require.Equal(t, Frozen, w.state().place.Stage, "closing readings are taken again")
		_, _, err = w.try(technician, "bay-clear", `{}`)
		require.Equal(t, "closing-held", fault.Of(err).Fields[0].Want)
		w.close()
		w.start()
		require.Equal(t, &LegRef{Attempt: 1, Leg: 2, Position: "centre"}, w.state().runningLeg())
	})
	t.Run("otherwise another attempt opens", func(t *testing.T) {
		t.Parallel()
		w := running(t)
		w.do(technician, "stop", `{}`)
		w.do(technician, "restart", `{}`)
		w.do(specialist, "restart", `{}`)
		w.close()
		w.start()
		require.Equal(t, &LegRef{Attempt: 2, Leg: 1, Position: "centre"}, w.state().runningLeg())
		require.True(t, w.state().Attempts()[0].Over)
	})
	t.Run("a void during a leg stops it", func(t *testing.T) {
		t.Parallel()
		w := running(t)
		_, d, err := w.try(technician, "void-setup", `{"cause":"door-opened"}`)
		require.NoError(t, err)
		require.Equal(t, specialist.Person(), *d.Ends)
		require.Equal(t, Stopped, w.state().Phase())
		require.Equal(t, None, w.state().place.Stage)
		require.Equal(t, "door-opened", w.state().place.Void)
	})
	t.Run("a stop outlasts the specialist, and an open attempt too", func(t *testing.T) {
		t.Parallel()
		w := running(t)
		w.do(technician, "stop", `{}`)
		w.do(specialist, "return", `{"reason":"My shift is over."}`)
		require.Equal(t, Waiting, w.state().Phase())
		require.NotNil(t, w.state().attempt())
		w.do(colleague, "claim", `{}`)
		require.Equal(t, Stopped, w.state().Phase())
		w.do(colleague, "restart", `{"routine_holds":true}`)
		w.do(technician, "restart", `{}`)
		require.Equal(t, Guided, w.state().Phase())
		require.NotNil(t, w.state().attempt())
	})
	t.Run("before a claim the technician restarts alone", func(t *testing.T) {
		t.Parallel()
		w := newWorld(t)
		w.open()
		w.do(owner, "stop", `{}`)
		w.do(technician, "restart", `{}`)
		require.Equal(t, Preparing, w.state().Phase())
	})
}

func TestFactsReadAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.fact(jobKey(jobID, "alignment"), `{"rear_toe_udeg":{"left":100000,"right":-100000},"thrust_udeg":100000}`)
	_, _, err := w.try(technician, "bay-clear", `{}`)
	require.Equal(t, "facts-unchanged", fault.Of(err).Fields[0].Want)
	require.Contains(t, fault.Of(err).Detail, "alignment")
	w.do(technician, "void-setup", `{"cause":"alignment-changed"}`)
	w.place()
	w.lock()
	w.freeze()
	require.Equal(t, Frozen, w.state().place.Stage)
}

func TestClosingReadingsThatMoved(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.place()
	w.lock()
	w.freeze()
	w.do(technician, "report-closing", closingData(w.closing(25_000)))
	require.Equal(t, ClosingMoved, w.state().place.Closed.Verdict)
	require.Equal(t, Frozen, w.state().place.Stage)
	w.close() // the doubtful one taken again
	require.Equal(t, Held, w.state().place.Stage)
}
