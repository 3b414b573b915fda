package calibration

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// shopSays sets what the shop does about proof that has run out.
func (w *world) shopSays(expired string) {
	w.fact(organisationKey(shopID), `{"name":"Quayside Motor Works","sort":"shop","phone":"","expired":`+expired+`}`)
}

func (w *world) expireCompetence(of stream.Actor) {
	w.fact(memberKey(of.Org, of.Member), `{"name":{"sealed":{"k":"`+shopID.String()+`","v":"eA"}},"roles":["`+string(of.Roles[0])+
		`"],"competences":[{"sensor":"front-camera","expires":"2026-11-24"}],"active":true}`)
}

func (w *world) refusedBy(guard string, actor stream.Actor, command, data string) {
	_, _, err := w.try(actor, command, data)
	require.True(w.t, fault.Is(err, fault.NotMet), "%s: %v", command, err)
	require.Equal(w.t, guard, fault.Of(err).Fields[0].Want, command)
}

// decidedOf is what the last entry of a type adds to its command.
func (w *world) decidedOf(typ string) string {
	for i := len(w.made) - 1; i >= 0; i-- {
		if w.made[i].Type == typ {
			return string(w.made[i].Decided)
		}
	}
	return ""
}

// TestExpiredCompetence: refused at the claim, at the words and at the signature; or, where the shop says so, let pass
// and written into each of these entries.
func TestExpiredCompetence(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.request()
	w.expireCompetence(specialist)
	w.refusedBy("competence", specialist, "claim", `{}`)
	w.shopSays(`{"competence":"caution"}`)
	w.do(specialist, "claim", `{}`)
	require.JSONEq(t, `{"cautions":["competence-expired"]}`, w.decidedOf("claimed"))

	w = newWorld(t)
	w.guided()
	w.held()
	w.expireCompetence(technician)
	w.refusedBy("competence", technician, "bay-clear", `{}`)
	w.shopSays(`{"competence":"caution"}`)
	w.do(specialist, "go", `{}`)
	w.do(technician, "bay-clear", `{}`)
	require.Contains(t, w.decidedOf("leg-started"), `"competence-expired"`)
	w.do(technician, "stop", `{}`)
	w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
	w.do(technician, "sign", `{}`)
	require.JSONEq(t, `{"again":false,"cautions":["competence-expired"]}`, w.decidedOf("signed"))
	w.do(specialist, "sign", `{}`)
	require.JSONEq(t, `{"again":false}`, w.decidedOf("signed"))

	// That there never was a proof is another thing, and no setting lets it pass.
	w = newWorld(t)
	w.shopSays(`{"competence":"caution"}`)
	w.open()
	w.request()
	w.fact(memberKey(deskID, specialist.Member), `{"roles":["specialist"],"competences":[],"active":true}`)
	w.refusedBy("competence", specialist, "claim", `{}`)
}

// TestOverdueInstrument: its due date is asked where it is read, at the freeze and at both words.
func TestOverdueInstrument(t *testing.T) {
	t.Parallel()
	late := func(w *world) {
		w.fact(registerKey(shopID, "instrument/"+laserID.String()),
			`{"name":"Laser 1","instrument":{"kind":"laser distance meter","standard_uncertainty_um":1000},"certificate":"C-1","due":"2026-11-24","active":true}`)
	}
	w := newWorld(t)
	w.guided()
	late(w)
	w.refusedBy("instruments-current", technician, "report-readings", readingsData(true, w.measured()))
	w.shopSays(`{"instruments":"caution"}`)
	w.place()
	require.Contains(t, w.decidedOf("readings-reported"), `"instrument-overdue"`)
	w.fit()
	w.held()
	require.Contains(t, w.decidedOf("frozen"), `"instrument-overdue"`)
	require.Contains(t, w.decidedOf("closing-reported"), `"instrument-overdue"`)
	w.start()
	require.Contains(t, w.decidedOf("leg-started"), `"instrument-overdue"`)

	// The shop changes its mind: what was measured yesterday's way holds the words back.
	w = newWorld(t)
	w.shopSays(`{"instruments":"caution"}`)
	late(w)
	w.guided()
	w.fit()
	w.place()
	w.lock()
	w.shopSays(`{"instruments":"refuse"}`)
	w.refusedBy("instruments-current", technician, "freeze", `{}`)
	w.shopSays(`{"instruments":"caution"}`)
	w.freeze()
	w.close()
	w.shopSays(`{"instruments":"refuse"}`)
	w.refusedBy("instruments-current", specialist, "go", `{}`)
}

// TestExpiredSurvey is a caution unless the shop works on current surveys only.
func TestExpiredSurvey(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ floor, caution string }{
		{`"floor":{"wheels_um":{"front_left":0,"front_right":0,"rear_left":0,"rear_right":0},"fixture_um":0},"surveyed":"2025-06-01","expires":"2026-06-01",`, "floor-survey-expired"},
		{``, "floor-not-surveyed"},
	} {
		w := newWorld(t)
		w.fact(registerKey(shopID, "bay/"+bayID.String()), `{"name":"Bay 2",`+c.floor+`"active":true}`)
		w.guided()
		w.fit()
		w.place()
		require.Contains(t, w.decidedOf("readings-reported"), c.caution)
		w.lock()
		w.shopSays(`{"survey":"refuse"}`)
		w.refusedBy("survey-current", technician, "freeze", `{}`)
		w.shopSays(`{"survey":"caution"}`)
		w.freeze()
		w.close()
		w.shopSays(`{"survey":"refuse"}`)
		w.refusedBy("survey-current", technician, "bay-clear", `{}`)
		w.shopSays(`{"survey":"caution"}`)
		w.start()
		require.Contains(t, w.decidedOf("leg-started"), c.caution)
	}
}

// TestRetiredIsNotUsed: what the shop has taken out of use is known and refused all the same.
func TestRetiredIsNotUsed(t *testing.T) {
	t.Parallel()
	for guard, key := range map[string]stream.FactKey{
		"dimensions-known": registerKey(shopID, "dimensions/"+dimensionsID.String()),
		"fixture-known":    registerKey(shopID, "fixture/"+fixtureID.String()),
		"bay-known":        registerKey(shopID, "bay/"+bayID.String()),
	} {
		w := newWorld(t)
		w.open()
		w.fact(key, replaced(t, string(w.facts[key].Value), `"active":true`, `"active":false`))
		w.refusedBy(guard, technician, "issue-sheet", sheetData())
	}
}
