package calibration

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/stream"
)

var methodID = id(30)

// methodJSON is a procedure with gates of every sort and a set-up of the tests' own sheet.
const methodJSON = `{"format":"readback-procedure/1","title":"Front camera (invented)","sensor":"front-camera",
	"source":{"title":"Invented information","dated":"2026-03-01","version":"4"},
	"gates":[
		{"gate":"space-clear","asks":"Nothing stands there.","grade":"required","by":"request","evidence":"photographed"},
		{"gate":"tyre-pressure","asks":"As on the placard.","grade":"required","by":"request","evidence":"measured","value":{"unit":"hPa","lower":-100,"upper":100},"limits":"stated","expires_min":60},
		{"gate":"battery-voltage","asks":"A supply holds it.","grade":"required","by":"leg","evidence":"measured","value":{"unit":"mV","lower":12500,"caution":{"lower":13000}},"limits":"stated","expires_min":15},
		{"gate":"light-level","asks":"Even.","grade":"caution","by":"leg","evidence":"measured","value":{"unit":"lx","lower":300},"limits":"own","limits_by":"0193a000-0000-7000-8000-000000000023"},
		{"gate":"temperature-noted","asks":"At the car.","grade":"recorded","by":"leg","evidence":"measured","value":{"unit":"mC"}}],
	"set_ups":[{"name":"board ahead","target":"T-CAM-07","limits":"own","limits_by":"0193a000-0000-7000-8000-000000000023","setup":` + sheetSetup + `,
		"steps":[{"step":"fit-target"},{"step":"set-distance"},{"step":"go-to-position","position":"left"},{"step":"go-to-position","position":"right"}]}]}`

// method enters a procedure for a sensor into a register.
func (w *world) method(sensor string, register stream.ID) {
	p, err := procedure.DecodeWhole([]byte(strings.ReplaceAll(methodJSON, "front-camera", sensor)), "")
	require.NoError(w.t, err)
	whole, err := p.Whole()
	require.NoError(w.t, err)
	raw, err := json.Marshal(kept{Version: 3, Digest: procedure.Digest(whole), Procedure: whole, Active: true})
	require.NoError(w.t, err)
	w.fact(registerKey(register, "procedure/"+methodID.String()), string(raw))
}

func openData(register stream.ID) string {
	return `{"job":"` + jobID.String() + `","sensor":"front-camera","procedure":{"register":"` + register.String() + `","id":"` + methodID.String() + `"}}`
}

// openBy opens the calibration with the procedure of a register.
func (w *world) openBy(register stream.ID) {
	w.method("front-camera", register)
	w.do(technician, "open", openData(register))
}

func fromData() string {
	return `{"from_procedure":{"set_up":"board ahead"},"fixture":"` + fixtureID.String() + `","dimensions":"` + dimensionsID.String() +
		`","bay":"` + bayID.String() + `","measure":` + planned() + `}`
}

func (w *world) answer(gate, rest string) stream.Entry {
	return w.do(technician, "record-gate", `{"gate":"`+gate+`",`+rest+`}`)
}

func value(amount, unit string) string {
	return `"met":true,"evidence":"measured","value":{"amount":` + amount + `,"unit":"` + unit + `"}`
}

// all answers every gate of the procedure so that nothing is held back.
func (w *world) all() {
	w.do(technician, "attach-photo", photoData(len(w.state().photos)+1, `{"gate":"space-clear"}`))
	w.answer("space-clear", `"met":true,"evidence":"photographed"`)
	w.answer("tyre-pressure", value("-50", "hPa"))
	w.answer("battery-voltage", value("13200", "mV"))
	w.answer("light-level", value("300", "lx"))
	w.answer("temperature-noted", value("19500", "mC"))
}

func TestOpenedByAProcedure(t *testing.T) {
	t.Parallel()
	for _, register := range []stream.ID{shopID, deskID} {
		w := newWorld(t)
		w.openBy(register)
		m, ok := w.state().Method()
		require.True(t, ok)
		require.Equal(t, register, m.Register)
		require.Equal(t, 3, m.Version)
		require.Len(t, m.Digest, 64)
		require.Equal(t, []string{"space-clear", "tyre-pressure", "battery-voltage", "light-level", "temperature-noted"}, w.state().gateNames())
		opened := string(w.made[0].Decided)
		require.Contains(t, opened, m.Digest)
		require.Contains(t, opened, `"figure":{"unit":"mV","lower":12500,"caution":{"lower":13000}}`)

		// Another version, or none any more, changes nothing here.
		w.fact(registerKey(register, "procedure/"+methodID.String()), `{"version":4,"digest":"","procedure":{},"active":false}`)
		w.do(technician, "issue-sheet", fromData())
		require.JSONEq(t, sheetSetup, string(w.state().sheet().Setup))
	}
	w := newWorld(t)
	w.open()
	_, ok := w.state().Method()
	require.False(t, ok)
	require.Nil(t, w.state().View(morning).Procedure)
}

// Another organisation's procedure is as one that is not there.
func TestForeignProcedures(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.method("front-camera", otherDeskID)
	_, _, foreign := w.try(technician, "open", openData(otherDeskID))
	_, _, missing := w.try(technician, "open", strings.Replace(openData(otherDeskID), methodID.String(), id(99).String(), 1))
	_, _, nowhere := w.try(technician, "open", openData(id(98)))
	require.True(t, fault.Is(foreign, fault.NotMet))
	require.Equal(t, missing, foreign)
	require.Equal(t, nowhere, foreign)

	w.method("front-camera", shopID)
	w.fact(registerKey(shopID, "procedure/"+methodID.String()), strings.Replace(string(w.facts[registerKey(shopID, "procedure/"+methodID.String())].Value), `"active":true`, `"active":false`, 1))
	_, _, retired := w.try(technician, "open", openData(shopID))
	require.Equal(t, missing, retired, "a retired one opens nothing")
}

// The figure decides, whoever ticks: its ends belong to the limits, and one who sees that a gate is not met may say so.
func TestTheFigureDecides(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		gate, rest     string
		met, cautioned bool
	}{
		{"tyre-pressure", value("100", "hPa"), true, false},
		{"tyre-pressure", value("101", "hPa"), false, false},
		{"tyre-pressure", value("-100", "hPa"), true, false},
		{"tyre-pressure", value("-101", "hPa"), false, false},
		{"tyre-pressure", strings.Replace(value("0", "hPa"), "true", "false", 1), false, false},
		{"tyre-pressure", `"met":false,"evidence":"declared"`, false, false},
		{"battery-voltage", value("12499", "mV"), false, false},
		{"battery-voltage", value("12500", "mV"), true, true},
		{"battery-voltage", value("12999", "mV"), true, true},
		{"battery-voltage", value("13000", "mV"), true, false},
		{"battery-voltage", value("99000", "mV"), true, false}, // the source states no upper limit
		{"temperature-noted", value("-19500", "mC"), true, false},
	} {
		w := newWorld(t)
		w.openBy(shopID)
		w.answer(c.gate, c.rest)
		g := w.state().gate(c.gate)
		require.Equal(t, []bool{true, c.met, c.cautioned}, []bool{g.Answered, g.Met, g.Cautioned}, "%s %s", c.gate, c.rest)
	}
	for _, c := range []struct{ gate, rest, guard string }{
		{"tyre-pressure", `"met":true,"evidence":"measured"`, "gate-figure"},
		{"tyre-pressure", strings.Replace(value("0", "lx"), "true", "false", 1), "gate-figure"},
		{"tyre-pressure", strings.Replace(value("0", "hPa"), "measured", "photographed", 1), "gate-evidence"},
		{"temperature-noted", `"met":false,"evidence":"declared"`, "gate-evidence"},
		{"temperature-noted", `"met":false,"evidence":"measured"`, "gate-figure"},
	} {
		w := newWorld(t)
		w.openBy(shopID)
		_, _, err := w.try(technician, "record-gate", `{"gate":"`+c.gate+`",`+c.rest+`}`)
		require.Equal(t, c.guard, fault.Of(err).Fields[0].Want, "%s %s", c.gate, c.rest)
	}
}

// An answer counts for its minutes and then is as one that was not given: nothing is written when it runs out.
func TestAnswersRunOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openBy(shopID)
	w.all()
	last := w.state().gate("tyre-pressure").RunsOut.Add(0)
	require.Equal(t, 60*time.Minute, last.Sub(*w.state().gate("tyre-pressure").At))
	require.Equal(t, "request", w.state().Turn(last).Do)
	turn := w.state().Turn(last.Add(time.Millisecond))
	require.Equal(t, "tyre-pressure", turn.Gate)
	require.Equal(t, last, *turn.Until)
	seq := w.state().Seq()
	w.now = last.Add(time.Millisecond)
	_, _, err := w.try(technician, "request", `{}`)
	require.Equal(t, "gates-by-request", fault.Of(err).Fields[0].Want)
	require.Contains(t, err.Error(), "tyre-pressure (its answer counted for 60 min)")
	require.Equal(t, seq, w.state().Seq())
	for _, g := range w.state().View(w.now).Gates {
		require.Equal(t, g.ExpiresMin > 0, g.RanOut, g.Name)
	}
	w.now = last.Add(-time.Second) // at the last moment it counts
	w.do(technician, "request", `{}`)

	// On the way to a leg the same, and the word's turn says when the first answer will run out.
	w.claim()
	w.do(specialist, "issue-sheet", fromData())
	w.fit()
	w.answer("battery-voltage", value("13200", "mV"))
	w.answer("tyre-pressure", value("0", "hPa"))
	w.held()
	turn = w.state().Turn(w.now)
	require.Equal(t, "bay-clear", turn.Do)
	require.Equal(t, *w.state().gate("battery-voltage").RunsOut, *turn.Until)
	w.now = turn.Until.Add(time.Second)
	_, _, err = w.try(technician, "bay-clear", `{}`)
	require.Equal(t, "gates-by-leg", fault.Of(err).Fields[0].Want)
	require.Equal(t, "battery-voltage", w.state().Turn(w.now).Gate)
	w.answer("battery-voltage", value("13100", "mV"))
	w.start()
	require.Equal(t, Running, w.state().Phase())
}

// Between a gate's limits and its caution's only the specialist lets it pass.
func TestCautionWithinAGate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openBy(shopID)
	w.all()
	w.do(technician, "request", `{}`)
	w.claim()
	w.do(specialist, "issue-sheet", fromData())
	w.fit()
	w.answer("battery-voltage", value("12700", "mV"))
	w.held()
	_, _, err := w.try(technician, "bay-clear", `{}`)
	require.Contains(t, err.Error(), "battery-voltage (met outside its caution of at least 13 V")
	require.Equal(t, Turn{Who: stream.Specialist, Do: "waive", Gate: "battery-voltage"}, w.state().Turn(w.now))
	w.do(specialist, "waive", `{"what":"gate","gate":"battery-voltage","reason":"The supply has just been put on."}`)
	w.do(technician, "bay-clear", `{}`)
	w.answer("battery-voltage", value("12600", "mV"))
	require.Nil(t, w.state().gate("battery-voltage").Waived, "the waiver was for the answer before")
	w.answer("battery-voltage", value("12400", "mV"))
	_, _, err = w.try(specialist, "waive", `{"what":"gate","gate":"battery-voltage","reason":"x"}`)
	require.Equal(t, "waivable", fault.Of(err).Fields[0].Want, "outside the limits nothing is waived")
	w.answer("battery-voltage", value("12600", "mV"))
	w.now = w.now.Add(16 * time.Minute)
	_, _, err = w.try(specialist, "waive", `{"what":"gate","gate":"battery-voltage","reason":"x"}`)
	require.Equal(t, "waivable", fault.Of(err).Fields[0].Want, "what has run out is answered again first")
}

// Nobody types again what the method states: numbers, source, who set the limits, and the target.
func TestSheetFromTheProcedure(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openBy(shopID)
	e := w.do(technician, "issue-sheet", fromData())
	sheet, _, _ := w.state().Sheet()
	require.JSONEq(t, sheetSetup, string(sheet.Setup))
	require.Equal(t, Source{Title: "Invented information", Dated: "2026-03-01", Version: "4"}, sheet.Source)
	require.Equal(t, LimitsOwn, sheet.Limits)
	require.Equal(t, id(23), *sheet.LimitsBy)
	require.Equal(t, "T-CAM-07", sheet.Target)
	require.Equal(t, &fromProcedure{SetUp: "board ahead"}, sheet.From)
	for _, said := range []string{`"setup":`, `"source":`, `"limits":"own"`, `"limits_by":`} {
		require.Contains(t, string(e.Decided), said, "the entry can be read alone")
	}

	typed := newWorld(t)
	typed.open()
	typed.issue()
	require.Equal(t, typed.state().sheet().Plan, sheet.Plan, "the same numbers come to the same plan, typed or not")

	_, _, err := typed.try(technician, "issue-sheet", fromData())
	require.Equal(t, "set-up-known", fault.Of(err).Fields[0].Want)
	for _, extra := range []string{`"limits":"stated"`, `"setup":` + sheetSetup, `"source":{"title":"x","dated":"2026-03-01","version":"1"}`} {
		_, _, err := w.try(technician, "issue-sheet", strings.Replace(fromData(), "{", "{"+extra+",", 1))
		require.True(t, fault.Is(err, fault.InvalidInput), extra)
	}
	w.fact(w.state().fixtureKey(fixtureID), `{"name":"Reflector","target":"T-CAM-07","fixture":{"kind":"reflector"},"active":true}`)
	_, _, err = w.try(technician, "issue-sheet", fromData())
	require.Equal(t, "data.from_procedure.set_up", fault.Of(err).Fields[0].Name, "in the sender's own keys")
	require.Contains(t, fault.Of(err).Fields[0].Want, "a reflector is a point")
}

// The method's steps are offered in order, each when it can be sent; a new attempt begins them anew.
func TestNextStep(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	offers := func(kind, position string) {
		t.Helper()
		next := w.state().View(w.now).NextStep
		if kind == "" {
			require.Nil(t, next)
			return
		}
		require.Equal(t, &procedure.Step{Kind: kind, Position: position}, next)
	}
	w.openBy(shopID)
	w.all()
	w.do(technician, "issue-sheet", fromData())
	w.do(technician, "request", `{}`)
	w.claim()
	offers("", "") // the sheet is not adopted
	w.adopt()
	offers(FitTarget, "")
	require.Equal(t, FitTarget, w.state().Turn(w.now).Kind)
	n := w.instruct(`{"step":"fit-target"}`)
	offers("", "") // one step at a time
	w.finish(n, `"target":"T-CAM-07"`)
	offers(SetDistance, "")
	require.Equal(t, Turn{Who: stream.Specialist, Do: "instruct", Kind: SetDistance}, w.state().Turn(w.now))
	n = w.instruct(`{"step":"set-distance"}`)
	w.finish(n, `"value_um":1102000`)
	offers("", "") // first the leg here
	require.Equal(t, "report-readings", w.state().Turn(w.now).Do)
	w.leg()
	offers(GoToPosition, "left")
	w.goTo("left")
	w.leg()
	w.goTo("right")
	offers("", "")
	w.held()
	w.start()
	offers("", "")
	w.do(specialist, "end-leg", `{"outcome":"not-completed"}`)
	offers(SetDistance, "") // the attempt is over; the target is still the one that was read back
}
