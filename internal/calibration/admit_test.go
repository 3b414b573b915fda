package calibration

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	vehicles "readback/internal/vehicle"
)

func TestBadInputIsNamed(t *testing.T) {
	t.Parallel()
	reading := `{"quantity":"span","from":"front-left-hub","to":"left-end","instrument":"` + laserID.String() + `","value_um":2593400}`
	report := func(was, is string) string {
		return `{"moved":false,"readings":[` + replaced(t, reading, was, is) + `]}`
	}
	sheet := func(was, is string) string { return replaced(t, sheetData(), was, is) }
	for _, c := range []struct{ command, data, field string }{
		{"open", `{"sensor":"front-camera","job":"0193A000-0000-7000-8000-000000000002"}`, "data.job"},
		{"open", `{"sensor":"crystal-ball","job":"` + jobID.String() + `"}`, "data.sensor"},
		{"claim", `{"why":1}`, "data.why"},
		{"claim", `[]`, "data"},
		{"return", `{"reason":""}`, "data.reason"},
		{"return", `{"reason":{"sealed":{"k":"` + jobID.String() + `","v":"eA"}}}`, "data.reason"},
		{"note", `{"text":"` + strings.Repeat("x", 2001) + `"}`, "data.text"},
		{"record-gate", `{"gate":"light-even","met":"yes","evidence":"measured"}`, "data.met"},
		{"record-gate", `{"gate":"light-even","met":true,"evidence":"hearsay"}`, "data.evidence"},
		{"record-gate", `{"gate":"light-even","met":true,"evidence":"measured","value":{"amount":4.5,"unit":"lx"}}`, "data.value.amount"},
		{"waive", `{"what":"verdict","gate":"light-even","reason":"x"}`, "data.gate"},
		{"report-readings", report(`"value_um":2593400`, `"value_um":-3000`), "data.readings[0].value_um"},
		{"report-readings", report(`"value_um":2593400`, `"value_um":300000000`), "data.readings[0].value_um"},
		{"report-readings", report(`"value_um":2593400`, `"value_um":2593400.5`), "data.readings[0].value_um"},
		{"report-readings", report(`"value_um":2593400`, `"value_udeg":2593400`), "data.readings[0].value_udeg"},
		{"report-readings", report(`"value_um":2593400`, `"value_mm":2593.4`), "data.readings[0].value_um"},
		{"report-readings", report(`,"value_um":2593400`, ``), "data.readings[0].value_um"},
		{"report-readings", report(`"left-end"`, `"middle"`), "data.readings[0].to"},
		{"report-readings", report(`"span"`, `"height"`), "data.readings[0].from"},
		{"report-readings", report(laserID.String(), "laser"), "data.readings[0].instrument"},
		{"report-readings", `{"moved":false,"readings":[` + reading + `,` + reading + `]}`, "data.readings[1]"},
		{"report-readings", `{"moved":false,"readings":[]}`, "data.readings"},
		{"report-closing", `{"readings":7}`, "data.readings"},
		{"issue-sheet", sheet(`"distance_um":5000`, `"distance_um":0`), "data.setup.tolerance.distance_um"},
		{"issue-sheet", sheet(`"distance_um":5000`, `"distance_um":{"upper":-5000}`), "data.setup.tolerance.distance_um.upper"},
		{"issue-sheet", sheet(`"distance_um":5000`, `"distance_um":{"lower_um":-5000}`), "data.setup.tolerance.distance_um.lower_um"},
		{"issue-sheet", sheet(`"datum":"front-bumper"`, `"datum":"emblem"`), "data.setup.datum"},
		{"issue-sheet", sheet(`"height_um":1350000`, `"height_mm":1350`), "data.setup.height_um"},
		{"issue-sheet", sheet(`"limits":"stated"`, `"limits":"own"`), "data.limits_by"},
		{"issue-sheet", sheet(`"dated":"2026-05-04"`, `"dated":"4 May"`), "data.source.dated"},
		{"issue-sheet", sheet(`{"quantity":"centre-offset",`, `{"quantity":"centre-offset","value_um":1,`), "data.measure[6].value_um"},
		{"instruct", `{"step":"go-to-position"}`, "data.position"},
		{"instruct", `{"step":"fit-target","position":"left"}`, "data.position"},
		{"read-back", `{"step":1,"side":"driver"}`, "data.side"},
		{"end-leg", `{"outcome":"completed","routine_holds":true}`, "data.routine_holds"},
		{"void-setup", `{"cause":"boredom"}`, "data.cause"},
		{"declare", `{"outcome":"withdrawn"}`, "data.reason"},
		{"declare", `{"outcome":"completed","evaluation":{"routine_confirmed":false,"lamps":"off"}}`, "data.evaluation.routine_confirmed"},
		{"declare", `{"outcome":"completed","evaluation":{"routine_confirmed":true,"lamps":"green"}}`, "data.evaluation.lamps"},
		{"declare", `{"outcome":"completed","evaluation":{"lamps":"off"}}`, "data.evaluation.routine_confirmed"},
		{"end-leg", `{"outcome":"completed","values":[]}`, "data.values"},
		{"end-leg", `{"outcome":"completed","values":[{"name":"pitch"}]}`, "data.values[0].value"},
		{"sign", `{"as":"system"}`, "data.as"},
		{"hand-over-notice", `{"to":"customer","how":"in-hand","language":"en","sha256":"` + strings.Repeat("A", 64) + `"}`, "data.sha256"},
		{"hand-over-notice", `{"to":"customer","how":"shouted","language":"tlh","sha256":"00"}`, "data.how"},
		{"reopen", `{}`, "data.reason"},
	} {
		_, _, err := Rules{}.Admit(stream.Command{ID: id(1), Type: c.command, Data: json.RawMessage(c.data)})
		require.True(t, fault.Is(err, fault.InvalidInput), "%s %s: %v", c.command, c.data, err)
		var names []string
		for _, f := range fault.Of(err).Fields {
			names = append(names, f.Name)
		}
		require.Contains(t, names, c.field, "%s %s", c.command, c.data)
	}
}

func TestFreeTextIsSealed(t *testing.T) {
	t.Parallel()
	for command, data := range map[string]string{
		"return": `{"reason":"x"}`, "waive": `{"what":"verdict","reason":"x"}`, "note": `{"text":"x"}`,
		"declare": `{"outcome":"withdrawn","reason":"x"}`, "end-leg": `{"outcome":"completed","note":"x"}`,
		"reopen": `{"reason":"x"}`,
	} {
		_, seal, err := Rules{}.Admit(stream.Command{Type: command, Data: json.RawMessage(data)})
		require.NoError(t, err)
		require.Len(t, seal, 1, command)
	}
	_, seal, err := Rules{}.Admit(stream.Command{Type: "declare", Data: json.RawMessage(`{"outcome":"completed"}`)})
	require.NoError(t, err)
	require.Empty(t, seal)
}

// A sheet that no fixture or car could follow is refused where it is issued, in the sender's own keys.
func TestSheetMustFitItsFixture(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.fact(w.state().fixtureKey(fixtureID), `{"name":"Reflector","target":"T-R-1","fixture":{"kind":"reflector"},"active":true}`)
	for _, aligned := range []bool{true, false} {
		if !aligned {
			delete(w.facts, w.state().alignmentKey())
		}
		_, _, err := w.try(technician, "issue-sheet", sheetData())
		require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)
		require.Equal(t, "data.setup.tolerance.yaw_udeg", fault.Of(err).Fields[0].Name)
	}
	// And a reading that the fixture cannot give, by its number in the report.
	board := newWorld(t)
	board.open()
	board.issue()
	all := board.measured()
	board.do(technician, "report-readings", readingsData(false, all[:3]))
	level := all[9]
	level.Instrument = laserID // reads mm
	_, _, err := board.try(technician, "report-readings", readingsData(false, []Reading{all[3], level}))
	require.Equal(t, "data.readings[1].instrument", fault.Of(err).Fields[0].Name)
}

func TestCautions(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	delete(w.facts, w.state().alignmentKey())
	w.fact(w.state().bayKey(bayID), `{"name":"Bay 2","active":true}`)
	w.fact(w.state().vehicleKey(), `{"dimensions":"`+id(77).String()+`","steering":"left","sensors":["front-camera"]}`)
	w.issue()
	sheet, _, _ := w.state().Sheet()
	require.Equal(t, []string{"floor-not-surveyed", "dimensions-not-the-jobs", "alignment-missing"}, sheet.Cautions)
	require.Empty(t, sheet.Plan, "nothing is expected before the thrust line is known")

	w = newWorld(t)
	w.guided()
	w.do(specialist, "declare", `{"outcome":"not-completed","reason":"It would not learn."}`)
	require.Contains(t, string(w.made[len(w.made)-1].Decided), "no-scan-after")
}

func TestReadingsExactlyAsPlannedAreFlagged(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.issue()
	exact := w.measured()
	for i, e := range w.state().sheet().Plan[0].Readings {
		exact[i].ValueUM, exact[i].ValueUdeg = e.ExpectedUM, e.ExpectedUdeg
	}
	w.do(technician, "report-readings", readingsData(true, exact))
	require.True(t, w.state().place.Verdict.Copied)
	for _, j := range w.state().place.Verdict.Judged {
		if j.DeviationUM != nil {
			require.LessOrEqual(t, abs(*j.DeviationUM), int64(1), "expected values fed back give no deviation, but for their rounding to 1 µm")
		}
	}
}

func TestRelationsAndRows(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	relation := func(a stream.Actor) stream.Relation {
		facts := stream.Facts{}
		for _, k := range (Rules{}).RelationNeeds(w.state(), a) {
			if f, ok := w.facts[k]; ok {
				facts[k] = f
			}
		}
		return Rules{}.Relation(w.state(), a, facts)
	}
	key, err := Rules{}.Key(w.state(), stream.Command{Type: "open", Data: json.RawMessage(dataOf(w, "open"))})
	require.NoError(t, err)
	require.Equal(t, stream.Ref{Kind: stream.Job, ID: jobID}, key)
	_, err = Rules{}.Key(w.state(), stream.Command{Type: "note", Data: json.RawMessage(`{"text":"x"}`)})
	require.Error(t, err)

	w.open()
	require.Equal(t, stream.Own, relation(owner))
	require.Equal(t, stream.Foreign, relation(specialist), "a desk sees nothing before the request")
	w.request()
	require.Equal(t, stream.Agreed, relation(specialist))
	require.Equal(t, stream.Foreign, relation(stranger))
	row := Rules{}.Summary(w.state())
	require.Equal(t, shopID, row.Org)
	require.Equal(t, w.state().Requested(), *row.QueuedAt)
	require.Equal(t, w.state().Requested().Add(30*time.Minute), *row.DueAt, "as for any request")
	w.do(technician, "note", `{"text":"Bay 2."}`)
	require.Equal(t, *row.DueAt, *Rules{}.Summary(w.state()).DueAt, "an entry that changes nothing of the urgency")
	asked := w.state().Requested()
	require.Equal(t, Turn{Who: stream.Specialist, Do: "claim", Since: &asked}, row.Data.(Row).Turn)
	w.claim()
	require.Equal(t, stream.Claimed, relation(colleague))
	require.Equal(t, deskID, *Rules{}.Summary(w.state()).Desk)
	require.Nil(t, Rules{}.Summary(w.state()).QueuedAt)
	require.Nil(t, Rules{}.Summary(w.state()).DueAt)
	queued := w.state().Requested()
	w.do(specialist, "return", `{"reason":"Shift end."}`)
	require.Nil(t, Rules{}.Summary(w.state()).Desk, "the row goes on changing, and is no longer theirs to see")
	require.Equal(t, queued, *Rules{}.Summary(w.state()).QueuedAt, "a return keeps the place in the queue")
	w.fact(w.state().agreementKey(deskID), `{"desk":"`+deskID.String()+`","ended":true}`)
	require.Equal(t, stream.Ended, relation(specialist))
}

func TestEverySensorIsOneOfTheTrade(t *testing.T) {
	t.Parallel()
	require.Subset(t, vehicles.Sensors(), Sensors())
	for _, s := range Sensors() {
		gates, ok := Gates(s)
		require.True(t, ok)
		seen := map[string]bool{}
		for _, g := range gates {
			require.False(t, seen[g.Name], "%s: %s twice", s, g.Name)
			seen[g.Name] = true
		}
	}
	_, ok := Gates("crystal-ball")
	require.False(t, ok)
}

// What clients get and what the trail stores holds integers only and no null.
func TestIntegersOnly(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.do(technician, "report-readings", readingsData(true, w.measured(0, 0, 100_000)))
	w.do(technician, "report-readings", readingsData(true, shifted(w, 4_500)))
	w.held()
	w.do(technician, "bay-clear", `{}`)
	view, err := json.Marshal(w.state().View(w.now))
	require.NoError(t, err)
	require.Contains(t, string(view), `"seconds_left":60`)
	onlyWhole(t, view)
	for _, e := range w.made {
		onlyWhole(t, e.Decided)
	}
}

func onlyWhole(t *testing.T, raw []byte) {
	d := json.NewDecoder(strings.NewReader(string(raw)))
	d.UseNumber()
	for {
		token, err := d.Token()
		if err != nil {
			return
		}
		require.NotNil(t, token, "null in %s", raw)
		if n, ok := token.(json.Number); ok {
			_, err := n.Int64()
			require.NoError(t, err, "%s in %s", n, raw)
		}
	}
}

func TestSetupGrowsOld(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.held()
	w.now = w.now.Add(31 * time.Minute)
	require.Equal(t, "report-closing", w.state().Turn(w.now).Do)
	w.close()
	w.start()
	require.Equal(t, Running, w.state().Phase())
}
