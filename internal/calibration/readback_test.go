package calibration

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/figure"
	"readback/internal/stream"
)

// TestReadBackInAUnit: digits are compared with what was shown in that unit. 550 mm is 21.6535… in (by hand, 550/25.4).
func TestReadBackInAUnit(t *testing.T) {
	t.Parallel()
	for _, each := range []struct{ said, decided string }{
		{`"value":"550","unit":"mm","side":"left"`, `{"matches":true}`},
		{`"value":"550,0","unit":"mm","side":"left"`, `{"matches":true}`},
		{`"value":"21.654","unit":"in","side":"left"`, `{"matches":true}`},
		{`"value":"21.65","unit":"in","side":"left"`, `{"matches":false,"wrong":["value"],"slip":"one-digit"}`},
		{`"value":"550","unit":"in","side":"left"`, `{"matches":false,"wrong":["unit"]}`},
		{`"value":"21.654","unit":"in","side":"right"`, `{"matches":false,"wrong":["side"]}`},
		{`"value":"5500","unit":"mm","side":"left"`, `{"matches":false,"wrong":["value"],"slip":"tenfold"}`},
		{`"value":"505","unit":"mm","side":"right"`, `{"matches":false,"wrong":["value","side"],"slip":"transposed"}`},
		{`"value":"551","unit":"mm","side":"left"`, `{"matches":false,"wrong":["value"],"slip":"one-digit"}`},
		{`"value":"123","unit":"mm","side":"left"`, `{"matches":false,"wrong":["value"]}`},
		{`"value_um":550001,"side":"left"`, `{"matches":false,"wrong":["value"]}`},
		{`"value_um":505000,"side":"left"`, `{"matches":false,"wrong":["value"],"slip":"transposed"}`},
	} {
		w := newWorld(t)
		w.guided()
		w.place()
		n := w.instruct(`{"step":"go-to-position","position":"left"}`)
		e := w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"position":"left",%s}`, n, each.said))
		require.JSONEq(t, each.decided, string(e.Decided), each.said)
		step := w.state().steps[n-1]
		matches := each.decided == `{"matches":true}`
		require.Equal(t, matches, step.State == StepMatched)
		_, _, err := w.try(specialist, "confirm", fmt.Sprintf(`{"step":%d}`, n))
		require.Equal(t, matches, err == nil, "what is read back wrongly cannot be confirmed: %s", each.said)
	}
	w := newWorld(t)
	w.guided()
	w.place()
	n := w.instruct(`{"step":"go-to-position","position":"left"}`)
	e := w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"position":"right","value":"550","unit":"mm","side":"left"}`, n))
	require.JSONEq(t, `{"matches":false,"wrong":["position"]}`, string(e.Decided))
	w.do(specialist, "correct", fmt.Sprintf(`{"step":%d}`, n))
	require.Empty(t, w.state().steps[n-1].Wrong)
	for said, field := range map[string]string{
		`"value":"550"`: "data.unit", `"unit":"mm"`: "data.unit", `"value":"550","unit":"ft"`: "data.unit", `"value":"550 mm","unit":"mm"`: "data.value",
		`"value":"550","unit":"mm","value_um":550000`: "data.value", `"value":"1,240.5","unit":"mm"`: "data.value", `"side":"left"`: "data.value_um",
	} {
		_, _, err := w.try(technician, "read-back", fmt.Sprintf(`{"step":%d,"position":"left",%s}`, n, said))
		require.True(t, fault.Is(err, fault.InvalidInput), said)
		require.Equal(t, field, fault.Of(err).Fields[0].Name, said)
	}
}

// TestAWrongNumberIsAlwaysCaught: whatever is said in whatever unit matches only if it is what was shown.
func TestAWrongNumberIsAlwaysCaught(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		um := rapid.Int64Range(0, 30_000_000).Draw(t, "value")
		unit := rapid.SampledFrom([]figure.Unit{figure.MM, figure.Inch}).Draw(t, "unit")
		shown := figure.Of(um, unit)
		wrong, _ := readBackOrder{Value: shown.Digits(), Unit: unit}.wrongNumber(um)
		require.Empty(t, wrong)
		said := figure.Figure{Last: rapid.Int64Range(0, 1_000_000).Draw(t, "said"), Unit: unit}
		wrong, _ = readBackOrder{Value: said.Digits(), Unit: unit}.wrongNumber(um)
		require.Equal(t, said == shown, wrong == "")
	})
}

// TestALargeMoveIsReadBack: the target stands where another position would be, 550 mm to the left. The move back is more
// than a nudge: the specialist instructs it, with the numbers of the verdict.
func TestALargeMoveIsReadBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.do(technician, "report-readings", readingsData(true, w.measuredAt("left")))
	require.Equal(t, VerdictAdjust, w.state().place.Verdict.Verdict)
	turn := w.state().Turn(w.now)
	require.Equal(t, Turn{Who: specialist.Roles[0], Do: "instruct", Kind: MoveFixture, Verdict: VerdictAdjust}, turn)
	n := w.instruct(`{"step":"move"}`)
	says := w.state().steps[n-1].Instruction
	require.Equal(t, "left", w.state().Steering())
	require.Equal(t, "shift", says.Move)
	require.Equal(t, "right", says.Side)
	require.Equal(t, Here, says.Datum)
	require.InDelta(t, 550_000, *says.ValueUM, 2_000, "moves are rounded to 1 mm, readings are off by 0.3 mm")
	mm := figure.Of(*says.ValueUM, figure.MM).Digits()
	e := w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"value":%q,"unit":"mm","side":"left"}`, n, mm))
	require.JSONEq(t, `{"matches":false,"wrong":["side"]}`, string(e.Decided))
	w.do(specialist, "correct", fmt.Sprintf(`{"step":%d}`, n))
	w.finish(n, fmt.Sprintf(`"value":%q,"unit":"mm","side":"right"`, mm))
	require.Equal(t, None, w.state().place.Stage, "what was measured before the move no longer stands")
	require.Equal(t, "centre", w.state().place.Position)

	w.do(technician, "report-readings", readingsData(true, w.measured()))
	_, _, err := w.try(specialist, "instruct", `{"step":"move"}`)
	require.True(t, fault.Is(err, fault.NotMet), "within: nothing to move")
}

// TestNudgesAreNotInstructed: 50 mm is a nudge, a µm more is not. Of a turn it is the way of the end; a tilt has none.
func TestNudgesAreNotInstructed(t *testing.T) {
	t.Parallel()
	um := func(n int64) *int64 { return &n }
	for _, each := range []struct {
		move  Move
		large bool
	}{
		{Move{Move: "shift", To: "left", ByUM: um(50_000)}, false},
		{Move{Move: "shift", To: "left", ByUM: um(50_001)}, true},
		{Move{Move: "turn", LeftEnd: "away", ByUdeg: um(3_000_000), EndUM: um(58_000)}, true},
		{Move{Move: "roll", LeftEnd: "up", ByUdeg: um(1_000_000), EndUM: um(19_000)}, false},
		{Move{Move: "tilt", Top: "away", ByUdeg: um(5_000_000)}, false},
	} {
		_, large := (&Verdict{Verdict: VerdictAdjust, Moves: []Move{{Move: "slide", To: "left", ByUM: um(1)}, each.move}}).large()
		require.Equal(t, each.large, large, "%+v", each.move)
	}
	_, large := (*Verdict)(nil).large()
	require.False(t, large)
}

// TestWaits: the time a step has waited is derived from its last change and the moment of looking, and there is no entry
// of it.
func TestWaits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.place()
	require.Nil(t, w.state().View(w.now).Waits)
	require.Nil(t, w.state().Turn(w.now).Since)
	n := w.instruct(`{"step":"go-to-position","position":"left"}`)
	for _, change := range []struct {
		command, data string
		within        time.Duration
	}{
		{"", "", ReadBackWithin},
		{"read-back", `{"step":%d,"position":"left","value_um":550000,"side":"right"}`, AnswerWithin},
		{"correct", `{"step":%d}`, ReadBackWithin},
		{"read-back", `{"step":%d,"position":"left","value_um":550000,"side":"left"}`, AnswerWithin},
		{"confirm", `{"step":%d}`, CarryWithin},
	} {
		w.now = w.now.Add(7 * time.Second)
		if change.command != "" {
			actor := specialist
			if change.command == "read-back" {
				actor = technician
			}
			w.do(actor, change.command, fmt.Sprintf(change.data, n))
			w.do(technician, "note", `{"text":"One moment."}`)
		}
		since := w.state().steps[n-1].Since
		seq := w.state().seq
		require.Equal(t, Waits{Seconds: 80, Late: change.within < 80*time.Second}, *w.state().View(since.Add(80 * time.Second)).Waits, change.command)
		require.False(t, w.state().Waits(since.Add(change.within)).Late)
		require.True(t, w.state().Waits(since.Add(change.within+1)).Late)
		require.Equal(t, Waits{}, *w.state().Waits(since.Add(-time.Second)), "another node's clock may be behind")
		turn := w.state().Turn(since.Add(time.Hour))
		require.Equal(t, since, *turn.Since)
		require.Equal(t, since.Add(change.within), *turn.LateAt)
		require.Equal(t, seq, w.state().seq)
	}
	w.do(technician, "done", fmt.Sprintf(`{"step":%d}`, n))
	require.Nil(t, w.state().Waits(w.now))
}

// TestANoteChangesNothing: whatever it says, and whoever says it when, the state is shown as before but for its number.
func TestANoteChangesNothing(t *testing.T) {
	t.Parallel()
	worded := rapid.OneOf(
		rapid.SampledFrom([]string{"Confirmed.", "bay clear", "GO", "stop", `{"step":1}`, "position 2, left, 620 mm", "All within limits, start the leg.", "Stellen Sie das Target nach rechts."}),
		rapid.StringMatching(`[ -~]{1,80}`), rapid.StringN(1, 60, -1),
	)
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		w.open()
		leadIn(t, w)
		for range rapid.IntRange(1, 6).Draw(t, "notes") {
			if rapid.Bool().Draw(t, "something else") {
				actor, command, data := anything(t, w)
				_, _, _ = w.try(actor, command, data)
			}
			before, turn := w.state().View(w.now), w.state().Turn(w.now)
			text, err := json.Marshal(map[string]string{"text": worded.Draw(t, "text")})
			require.NoError(t, err)
			actor := rapid.SampledFrom([]stream.Actor{technician, technician, specialist, colleague, owner, stranger}).Draw(t, "who")
			if _, _, err := w.try(actor, "note", string(text)); err != nil {
				require.Equal(t, before, w.state().View(w.now))
				continue
			}
			after := w.state().View(w.now)
			require.Equal(t, before.Seq+1, after.Seq)
			after.Seq = before.Seq
			require.Equal(t, before, after)
			require.Equal(t, turn, w.state().Turn(w.now))
		}
	})
}
