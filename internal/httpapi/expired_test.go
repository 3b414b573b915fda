package httpapi_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// cautionsOf reads what an entry states as cautions.
func cautionsOf(t *testing.T, who *apptest.Client, of *apptest.Stream, seq uint64) []string {
	t.Helper()
	got := apptest.Read[struct {
		Entries []struct {
			Body struct{ Decided json.RawMessage }
		}
	}](who, ask(t, who, "GET", fmt.Sprintf("%s/entries?after=%d&limit=1", of.Path(), seq-1), ""))
	var d struct{ Cautions []string }
	require.NoError(t, json.Unmarshal(got.Entries[0].Body.Decided, &d))
	return d.Cautions
}

// TestWhatHasRunOut: a proof of competence, an instrument's certificate and a floor survey of 2020 hold the work back, each
// at its place, or go on the record as a caution, as the shop has it. Nothing that ran out passes in silence.
func TestWhatHasRunOut(t *testing.T) {
	t.Parallel()
	const past = "2020-12-31"
	s := apptest.Start(t)
	tech, owner, desk, deskOwner := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist), s.As(apptest.DeskOwner)
	deskOwner.Do(deskOwner.Register(), "grant-competence", fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":%q}`, desk.Access.Member, past))
	owner.Do(owner.Register(), "renew-instrument", fmt.Sprintf(
		`{"instrument":"01940000-0000-7000-8000-0000000000c1","certificate":{"number":"INV-L0","dated":"2019-12-31"},"due":%q}`, past))
	owner.Do(owner.Register(), "survey-bay", fmt.Sprintf(`{"bay":"01940000-0000-7000-8000-0000000000b1",
		"floor":{"wheels_um":{"front_left":0,"front_right":0,"rear_left":0,"rear_right":0},"fixture_um":0},"surveyed":"2019-12-31","expires":%q}`, past))
	job := tech.OpenJob()
	tech.Scanned(job)
	cal := tech.OpenCalibration(job)
	for _, g := range apptest.Read[struct {
		State struct{ Gates []struct{ Gate string } }
	}](tech, tech.Get(cal.Path())).State.Gates {
		tech.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"}`, g.Gate))
	}
	tech.Do(cal, "issue-sheet", apptest.Sheet)
	tech.Do(cal, "request", `{}`)

	choose := func(of, choice string) {
		owner.Do(owner.Register(), "change-organisation", fmt.Sprintf(`{"expired":{%q:%q}}`, of, choice))
	}
	held := func(who *apptest.Client, typ, data, guard string) {
		t.Helper()
		before := s.Stored()
		got := ask(t, who, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, typ, data))
		require.Equal(t, http.StatusConflict, got.Status, "%s: %s", typ, got.Body)
		require.Contains(t, got.Body, `"want":"`+guard, typ)
		require.Contains(t, got.Body, past, "the refusal says since when")
		require.Equal(t, before, s.Stored())
	}
	passes := func(who *apptest.Client, typ, data string, cautions ...string) {
		t.Helper()
		r := who.Do(cal, typ, data)
		require.Subset(t, cautionsOf(t, tech, cal, r.Seq), cautions, typ)
	}

	// Competence: refused where the shop has said nothing, then cautioned.
	held(desk, "claim", `{}`, "competence")
	choose("competence", "caution")
	passes(desk, "claim", `{}`, "competence-expired")
	desk.Do(cal, "adopt-sheet", `{"sheet":1}`)
	tech.Fitted(desk, cal, 1)

	// An instrument likewise. The survey is a caution where nothing is said.
	readings := `{"moved":true,"readings":` + apptest.Readings + `}`
	held(tech, "report-readings", readings, "instruments-current")
	choose("instruments", "caution")
	passes(tech, "report-readings", readings, "instrument-overdue", "floor-survey-expired")
	tech.Do(cal, "lock", `{}`)
	choose("survey", "refuse")
	held(tech, "freeze", `{}`, "survey-current")
	choose("survey", "caution")
	passes(tech, "freeze", `{}`, "instrument-overdue", "floor-survey-expired")
	passes(tech, "report-closing", `{"readings":`+apptest.Readings+`}`, "instrument-overdue")

	// At the words everything is looked at again, by each of the two.
	choose("instruments", "refuse")
	held(tech, "bay-clear", `{}`, "instruments-current")
	choose("instruments", "caution")
	passes(tech, "bay-clear", `{}`)
	choose("competence", "refuse")
	held(desk, "go", `{}`, "competence")
	choose("competence", "caution")
	passes(desk, "go", `{}`, "competence-expired", "instrument-overdue")
}
