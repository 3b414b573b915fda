package calibration

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/stream"
)

// TestWhatEndsAnAttempt: only a leg that was not completed, and only where the routine does not wait at this position.
func TestWhatEndsAnAttempt(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		end  string
		over bool
	}{
		{`{"outcome":"completed"}`, false},
		{`{"outcome":"not-completed"}`, true},
		{`{"outcome":"not-completed","routine_holds":false}`, true},
		{`{"outcome":"not-completed","routine_holds":true}`, false},
	} {
		w := newWorld(t)
		w.guided()
		w.held()
		w.start()
		e, d, err := w.try(specialist, "end-leg", c.end)
		require.NoError(t, err)
		require.Equal(t, specialist.Person(), *d.Ends, "the routine in the specialist's hands")
		var got endedDecided
		require.NoError(t, json.Unmarshal(e.Decided, &got))
		require.Equal(t, c.over, got.AttemptOver, c.end)
		require.Equal(t, c.over, w.state().Attempts()[0].Over, c.end)
		next := LegRef{Attempt: 1, Leg: 2, Position: "centre"}
		if c.over {
			next.Attempt, next.Leg = 2, 1
		}
		require.Equal(t, next, w.state().nextLeg(), c.end)
	}
}

// TestLegsFollow: an entry that starts another leg than the next one of the open attempt is none that these rules write.
func TestLegsFollow(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.leg()
	w.goTo("left")
	w.held()
	w.do(technician, "bay-clear", `{}`)
	e, _, err := w.draft(specialist, "go", `{}`)
	require.NoError(t, err)
	decided := string(e.Decided)
	for _, other := range []string{
		replaced(t, decided, `"attempt":1`, `"attempt":2`), replaced(t, decided, `"leg":2`, `"leg":1`), replaced(t, decided, `"leg":2`, `"leg":3`),
	} {
		e.Decided = json.RawMessage(other)
		_, err := Rules{}.Apply(w.state(), e)
		require.ErrorContains(t, err, "does not follow", other)
	}
	e.Decided = json.RawMessage(decided)
	_, err = Rules{}.Apply(w.state(), e)
	require.NoError(t, err)
}

func frozen(t *testing.T) *world {
	w := newWorld(t)
	w.guided()
	w.place()
	w.lock()
	w.freeze()
	return w
}

// TestWhatClosingReadingsSee: what they would not show of a knock is named in the leg's entry; those that show nothing hold
// back the leg, and say so at once.
func TestWhatClosingReadingsSee(t *testing.T) {
	t.Parallel()
	cautions := func(e stream.Entry) (out struct{ Cautions []string }) {
		require.NoError(t, json.Unmarshal(e.Decided, &out))
		return out
	}
	w := frozen(t)
	all := w.measured()
	e := w.do(technician, "report-closing", closingData([]Reading{all[9]}))
	require.Equal(t, []string{"closing-sees-nothing"}, cautions(e).Cautions, "a level by itself, where no roll is judged")
	_, _, err := w.try(technician, "bay-clear", `{}`)
	require.Equal(t, "closing-sees", fault.Of(err).Fields[0].Want)

	e = w.do(technician, "report-closing", closingData([]Reading{all[0], all[1]}))
	require.Empty(t, cautions(e).Cautions)
	require.Equal(t, []string{"distance", "yaw"}, w.state().place.Closed.Sees, "two straight spans do not see a knock to the side")
	w.do(technician, "bay-clear", `{}`)
	e = w.do(specialist, "go", `{}`)
	require.Equal(t, []string{"closing-does-not-see-lateral"}, cautions(e).Cautions)
}

func TestMostClosingReadings(t *testing.T) {
	t.Parallel()
	w := frozen(t)
	list := w.measured()
	far := int64(3_000_000)
	for _, ends := range [][2]string{{"rear-left-hub", "left-end"}, {"rear-right-hub", "right-end"}} {
		r := list[0]
		r.From, r.To, r.ValueUM = ends[0], ends[1], &far
		list = append(list, r)
	}
	w.instrument(id(77), "Laser 2", `{"kind":"laser distance meter","standard_uncertainty_um":1000}`)
	list = append(list, list[0])
	list[12].Instrument = id(77)
	w.do(technician, "report-closing", closingData(list[:11]))
	seq := w.state().Seq()
	_, _, err := w.try(technician, "report-closing", closingData(list[11:]))
	require.Equal(t, fault.Field{Name: "data.readings", Want: "at most 12 closing readings"}, fault.Of(err).Fields[0], "with those that stand")
	require.Equal(t, seq, w.state().Seq())
	w.do(technician, "report-closing", closingData(list[11:12]))
	require.Len(t, w.state().place.Closing, 12)
	w.do(technician, "report-closing", closingData(list[:11]))
	require.Len(t, w.state().place.Closing, 12, "taken again they take no room")
}

// TestClosingReliesOnItsInstruments: each once, also one that the placement was not measured with.
func TestClosingReliesOnItsInstruments(t *testing.T) {
	t.Parallel()
	w := frozen(t)
	another := id(77)
	w.instrument(another, "Laser 2", `{"kind":"laser distance meter","standard_uncertainty_um":1000}`)
	before := len(w.state().place.Relied)
	closing := w.closing(0)
	for range 2 {
		closing[0].Instrument = another
		w.do(technician, "report-closing", closingData(closing))
		var keys []string
		for _, r := range w.state().place.Relied {
			keys = append(keys, r.Key.Name)
		}
		require.Len(t, keys, before+1)
		require.Equal(t, "instrument/"+another.String(), keys[before])
	}
}

// TestRunsOutFirst: of the answers that count still, the one that will do so the shortest.
func TestRunsOutFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openBy(shopID)
	require.Nil(t, w.state().runsOutFirst(w.now), "nothing is answered")
	w.answer("tyre-pressure", value("-50", "hPa")) // counts for 60 min
	start := w.now
	w.answer("temperature-noted", value("19500", "mC")) // does not run out
	w.answer("battery-voltage", value("13200", "mV"))   // 15 min
	require.Equal(t, w.now.Add(15*time.Minute), *w.state().runsOutFirst(w.now))
	w.now = start.Add(50 * time.Minute)
	require.Equal(t, start.Add(60*time.Minute), *w.state().runsOutFirst(w.now), "the other ran out")
	w.answer("battery-voltage", value("13200", "mV"))
	again := w.now
	require.Equal(t, start.Add(60*time.Minute), *w.state().runsOutFirst(w.now))
	require.Equal(t, again.Add(15*time.Minute), *w.state().runsOutFirst(start.Add(61 * time.Minute)))
	require.Nil(t, w.state().runsOutFirst(start.Add(2*time.Hour)))
}

// TestADeclarationIsTheLeast: where a gate asks for a declaration, whoever measured knows at least as much.
func TestADeclarationIsTheLeast(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	gate := w.state().gates[0].Name
	for _, c := range []struct{ demands, refused string }{
		{procedure.Declared, ""}, {procedure.Measured, procedure.Declared + " " + procedure.Photographed}, {procedure.Photographed, procedure.Declared + " " + procedure.Measured},
	} {
		w.state().gate(gate).Demands = c.demands
		for _, known := range evidences {
			a := &asked{state: w.state(), data: gateOrder{Gate: gate, Met: true, Evidence: known}, now: w.now}
			require.Equal(t, strings.Contains(c.refused, known), gateEvidence.refuses(a) != "", fmt.Sprint(c.demands, " by ", known))
		}
	}
}
