package dispatch

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/stream"
)

// TestNobodySaysWhy: one cause after the other is put right, and each is told while it is the one to put right.
func TestNobodySaysWhy(t *testing.T) {
	t.Parallel()
	now := utc("2026-11-25 18:00")
	ann := Specialist{Desk: numbered(1), Member: numbered(11), Languages: []string{"en", "de"}, Competences: map[string]string{}}
	ben := ann
	ben.Member = numbered(12)
	ask := Request{Sensor: "front-radar", Languages: []string{"cs"}, Declined: []stream.Person{ben.Person()}}
	opening := map[stream.ID]Opening{}
	want := func(words string, list ...string) {
		t.Helper()
		got := Nobody([]Specialist{ann, ben}, ask, now, opening)
		require.Equal(t, list, codes(got))
		require.Equal(t, words, got[0].Words)
	}
	want("The shop has no agreement in force with a desk: nobody sees the request.", "no-agreement")
	ask.Agreed = []stream.ID{ann.Desk}
	want("The desk has no specialist.", "no-specialist")
	ann.Active, ann.Role, ben.Active, ben.Role = true, true, true, true
	want("No specialist of the desk has a proof of competence for front-radar.", "no-competence")
	ann.Competences = map[string]string{"front-radar": "2026-11-24"}
	want("Every proof of competence for front-radar at the desk has run out. The desk's owner enters the new one.", "competence-expired")
	ann.Competences = map[string]string{"front-radar": "2026-11-25"}
	ben.Competences = ann.Competences
	want("No specialist of the desk for front-radar speaks cs; de, en are spoken.", "language")
	ben.Languages = []string{"cs"}
	want("Every specialist who may take it has declined it. Telephone the desk.", "declined")
	ask.Declined, ask.LeadHeld = nil, ann.Person()
	want("It was asked for together with another sensor, and who has taken that one may not take this.", "lead-elsewhere")
	ask.LeadHeld = stream.Person{}
	want("Nobody is on duty who may take it.", "off-duty")
	ann.OnDuty = true
	want("No specialist on duty for front-radar speaks cs; de, en are on duty.", "language", "off-duty")
	ann.OnDuty = false
	opening[ann.Desk] = Opening{Hours{Week: week(Span{"08:00", "17:00"})}, time.UTC}
	want("The desk is closed, and nobody is on duty who may take it.", "desk-closed")
	opening[ann.Desk] = Opening{Hours{Week: week(Span{"08:00", "19:00"})}, time.UTC}
	want("The desk is open, and nobody is on duty who may take it.", "off-duty")
	ben.OnDuty = true
	require.Empty(t, Nobody([]Specialist{ann, ben}, ask, now, opening))
}

// TestNobodyAgreesWithEligible: there is a reason exactly if nobody is eligible but for full hands, which wait.
func TestNobodyAgreesWithEligible(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		yes := func(what string) bool { return rapid.IntRange(0, 3).Draw(t, what) > 0 }
		ask := Request{Sensor: "lidar", Agreed: []stream.ID{numbered(1)}, Languages: rapid.SampledFrom([][]string{nil, {"de"}, {"cs", "en"}}).Draw(t, "wanted")}
		var staff []Specialist
		able := false
		for i := range rapid.IntRange(0, 4).Draw(t, "staff") {
			s := Specialist{
				Desk: numbered(byte(rapid.IntRange(1, 2).Draw(t, "desk"))), Member: numbered(byte(10 + i)), Active: yes("active"), Role: yes("role"), OnDuty: yes("duty"),
				Languages: rapid.SampledFrom([][]string{nil, {"de"}, {"en"}, {"de", "cs"}}).Draw(t, "spoken"), InHand: rapid.IntRange(0, 5).Draw(t, "in hand"),
				Competences: rapid.SampledFrom([]map[string]string{nil, {"lidar": "2026-11-24"}, {"lidar": "2027-01-01"}}).Draw(t, "proof"),
			}
			if !yes("willing") {
				ask.Declined = append(ask.Declined, s.Person())
			}
			staff = append(staff, s)
		}
		if rapid.Bool().Draw(t, "lead") {
			ask.LeadHeld = stream.Person{Org: numbered(1), Member: numbered(10)}
		}
		for _, s := range staff {
			s.InHand = 0
			able = able || len(Eligible(s, ask, "2026-11-25")) == 0
		}
		why := Nobody(staff, ask, noon, nil)
		require.Equal(t, able, len(why) == 0, "%v", why)
	})
}
