package dispatch

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/stream"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func numbered(n byte) stream.ID { return stream.ID{15: n} }

func ids(places []Place) (list []byte) {
	for _, p := range places {
		list = append(list, p.Calibration[15])
	}
	return list
}

func codes(reasons []Reason) (list []string) {
	for _, r := range reasons {
		list = append(list, r.Code)
	}
	return list
}

func TestOrderByClass(t *testing.T) {
	t.Parallel()
	ago := func(d time.Duration) time.Time { return noon.Add(-d) }
	places := Order([]Waiting{
		{Calibration: numbered(1), Requested: ago(9 * time.Minute), Advice: true},
		{Calibration: numbered(2), Requested: ago(9 * time.Minute)},
		{Calibration: numbered(3), Requested: ago(9 * time.Minute), Promised: noon.Add(70 * time.Minute)},
		{Calibration: numbered(4), Requested: ago(9 * time.Minute), Ready: true},
		{Calibration: numbered(5), Requested: ago(0), Held: true, Ready: true},
		{Calibration: numbered(6), Requested: ago(9 * time.Minute), Promised: noon.Add(9 * time.Hour)},
	}, noon)
	require.Equal(t, []byte{5, 4, 3, 2, 6, 1}, ids(places))
	require.Equal(t, []Class{Held, Ready, Promised, Ordinary, Ordinary, Advice}, []Class{
		places[0].Class, places[1].Class, places[2].Class, places[3].Class, places[4].Class, places[5].Class})
	require.Equal(t, []string{"vehicle-held"}, codes(places[0].Reasons))
	require.Equal(t, []string{"frozen-ready", "waited-long"}, codes(places[1].Reasons))
	require.Contains(t, places[2].Reasons[0].Words, "2026-11-25 13:10 UTC")
	for i, p := range places {
		require.Equal(t, i+1, p.Position)
	}
}

// TestAgeLifts: an ordinary request that has waited long goes before a frozen one that came late, and never before a held
// vehicle of the same day.
func TestAgeLifts(t *testing.T) {
	t.Parallel()
	places := Order([]Waiting{
		{Calibration: numbered(1), Requested: noon.Add(-40 * time.Minute)},
		{Calibration: numbered(2), Requested: noon.Add(-time.Minute), Ready: true},
		{Calibration: numbered(3), Requested: noon, Held: true},
	}, noon)
	require.Equal(t, []byte{3, 1, 2}, ids(places))
	require.Equal(t, []string{"ordinary", "waited-long"}, codes(places[1].Reasons))
}

// TestAPromiseThatPassed: it neither lifts the request further nor lets it fall back, whatever its class; the desk reads that
// it has passed.
func TestAPromiseThatPassed(t *testing.T) {
	t.Parallel()
	asked := noon.Add(-2 * time.Hour)
	list := []Waiting{
		{Calibration: numbered(1), Requested: asked, Promised: noon.Add(-40 * time.Minute)}, // due 20 min after asked
		{Calibration: numbered(2), Requested: asked.Add(-25 * time.Minute)},                 // due 5 min after asked
		{Calibration: numbered(3), Requested: asked.Add(-time.Minute)},                      // due 29 min after
		{Calibration: numbered(4), Requested: asked, Ready: true, Promised: noon.Add(-1)},   // due 5 min after, later asked than 2
		{Calibration: numbered(5), Requested: asked, Promised: noon.Add(-time.Hour)},        // due 10 min after
		{Calibration: numbered(6), Requested: asked, Promised: noon.Add(time.Hour)},         // ordinary
	}
	want := []byte{2, 4, 5, 1, 3, 6}
	for _, now := range []time.Time{asked.Add(time.Minute), noon, noon.Add(100 * time.Hour)} {
		require.Equal(t, want, ids(Order(list, now)))
	}
	passed := func(n byte, now time.Time) bool {
		places := Order(list, now)
		return slices.Contains(codes(places[slices.IndexFunc(places, func(p Place) bool { return p.Calibration[15] == n })].Reasons), "promise-passed")
	}
	require.False(t, passed(1, noon.Add(-41*time.Minute)))
	require.True(t, passed(1, noon.Add(-40*time.Minute)))
	require.True(t, passed(4, noon), "a frozen one, too: the shop waits all the same")
	require.False(t, passed(2, noon.Add(100*time.Hour)), "it has no promise")
	require.False(t, passed(6, noon))
}

func TestTogether(t *testing.T) {
	t.Parallel()
	places := Order([]Waiting{
		{Calibration: numbered(1), Requested: noon.Add(-20 * time.Minute)},
		{Calibration: numbered(2), Requested: noon.Add(-10 * time.Minute)},
		{Calibration: numbered(3), Requested: noon.Add(-5 * time.Minute), Lead: numbered(2), Ready: true},
		{Calibration: numbered(4), Requested: noon, Lead: numbered(9)}, // its lead does not wait
	}, noon)
	require.Equal(t, []byte{2, 3, 1, 4}, ids(places), "the frozen follower lifts the one that leads")
	require.Equal(t, []string{"ordinary", "lifted-by-group"}, codes(places[0].Reasons))
	require.Equal(t, []string{"frozen-ready", "asked-together"}, codes(places[1].Reasons))
}

func drawWaiting(t *rapid.T) []Waiting {
	n := rapid.IntRange(0, 12).Draw(t, "n")
	list := make([]Waiting, n)
	for i := range list {
		minutes := func(label string, from, to int) time.Duration {
			return time.Duration(rapid.IntRange(from, to).Draw(t, label)) * time.Minute
		}
		list[i] = Waiting{
			Calibration: numbered(byte(i + 1)), Requested: noon.Add(-minutes("age", 0, 300)),
			Held: rapid.Bool().Draw(t, "held"), Ready: rapid.Bool().Draw(t, "ready"), Advice: rapid.Bool().Draw(t, "advice"),
		}
		if rapid.Bool().Draw(t, "promise") {
			list[i].Promised = noon.Add(minutes("promise in", -60, 600))
		}
		if rapid.Bool().Draw(t, "follows") {
			list[i].Lead = numbered(byte(rapid.IntRange(1, n).Draw(t, "lead")))
			if list[i].Lead == list[i].Calibration {
				list[i].Lead = stream.ID{}
			}
		}
	}
	return list
}

// TestOrderHolds: nobody is lost, the order does not depend on how the list came or on when it is looked at, every place
// has a reason, and of two that stand alone the one due earlier goes first.
func TestOrderHolds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		list := drawWaiting(t)
		for i := range list { // a request that follows is not followed: the rules of the stream see to it
			if list[i].Lead != (stream.ID{}) {
				lead := slices.IndexFunc(list, func(w Waiting) bool { return w.Calibration == list[i].Lead })
				if list[lead].Lead != (stream.ID{}) {
					list[i].Lead = stream.ID{}
				}
			}
		}
		places := Order(list, noon)
		require.Len(t, places, len(list))
		later := noon.Add(time.Duration(rapid.IntRange(1, 3000).Draw(t, "later")) * time.Minute)
		require.Equal(t, ids(places), ids(Order(rapid.Permutation(list).Draw(t, "mixed"), later)))
		for i, p := range places {
			require.NotEmpty(t, p.Reasons)
			require.False(t, p.Due.After(p.Waiting.Due()))
			if i > 0 {
				require.False(t, p.Due.Before(places[i-1].Due))
			}
		}
	})
}

// TestNothingWaitsForEver: whatever is asked for more than a day and a half later is never put before a request.
func TestNothingWaitsForEver(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		list := drawWaiting(t)
		for i := range list {
			list[i].Lead = stream.ID{}
		}
		patient := Waiting{Calibration: numbered(200), Requested: noon.Add(-2*24*time.Hour - 5*time.Hour), Advice: true}
		require.Equal(t, patient.Calibration, Order(append(list, patient), noon)[0].Calibration)
	})
}

// TestMoreUrgentIsNeverLater: of two requests asked for at once, a class further up is due no later.
func TestMoreUrgentIsNeverLater(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := Waiting{Requested: noon}
		b := Waiting{Requested: noon}
		for _, w := range []*Waiting{&a, &b} {
			w.Held, w.Ready, w.Advice = rapid.Bool().Draw(t, "held"), rapid.Bool().Draw(t, "ready"), rapid.Bool().Draw(t, "advice")
			if rapid.Bool().Draw(t, "promise") {
				w.Promised = noon.Add(time.Duration(rapid.IntRange(-60, 600).Draw(t, "in")) * time.Minute)
			}
		}
		rank := func(w Waiting) int { return slices.Index(Classes(), w.Class()) }
		if rank(a) < rank(b) {
			require.False(t, a.Due().After(b.Due()), "%s %s", a.Class(), b.Class())
		}
	})
}

func TestEligible(t *testing.T) {
	t.Parallel()
	desk, member, other := numbered(1), numbered(2), numbered(3)
	fits := func() (Specialist, Request) {
		return Specialist{Desk: desk, Member: member, Active: true, Role: true, OnDuty: true, Languages: []string{"de", "en"},
				Competences: map[string]string{"front-radar": "2026-11-25"}},
			Request{Shop: numbered(4), Sensor: "front-radar", Languages: []string{"fr", "en"}, Agreed: []stream.ID{desk}}
	}
	s, r := fits()
	require.Empty(t, Eligible(s, r, "2026-11-25"), "a proof counts through its last day")
	for code, spoil := range map[string]func(*Specialist, *Request){
		"not-active":         func(s *Specialist, _ *Request) { s.Active = false },
		"not-a-specialist":   func(s *Specialist, _ *Request) { s.Role = false },
		"no-agreement":       func(_ *Specialist, r *Request) { r.Agreed = []stream.ID{other} },
		"no-competence":      func(_ *Specialist, r *Request) { r.Sensor = "front-camera" },
		"competence-expired": func(s *Specialist, _ *Request) { s.Competences["front-radar"] = "2026-11-24" },
		"language":           func(s *Specialist, _ *Request) { s.Languages = nil },
		"declined":           func(_ *Specialist, r *Request) { r.Declined = []stream.Person{{Org: desk, Member: member}} },
		"lead-first":         func(_ *Specialist, r *Request) { r.LeadWaits = true },
		"lead-elsewhere":     func(_ *Specialist, r *Request) { r.LeadHeld = stream.Person{Org: desk, Member: other} },
		"off-duty":           func(s *Specialist, _ *Request) { s.OnDuty = false },
		"hands-full":         func(s *Specialist, _ *Request) { s.InHand = MostAtOnce },
	} {
		s, r := fits()
		spoil(&s, &r)
		got := Eligible(s, r, "2026-11-25")
		require.Equal(t, []string{code}, codes(got))
		require.NotEmpty(t, got[0].Words)
	}
	s, r = fits()
	r.Declined = []stream.Person{{Org: other, Member: member}}
	require.Empty(t, Eligible(s, r, "2026-11-25"), "somebody of another desk declined, whose register has the same id")
	s, r = fits()
	r.LeadHeld = s.Person()
	require.Empty(t, Eligible(s, r, "2026-11-25"), "who has the one that leads takes the one that follows")
	s, r = fits()
	s.InHand = MostAtOnce - 1
	require.Empty(t, Eligible(s, r, "2026-11-25"), "one hand is free")
	s, r = fits()
	s.Active, s.OnDuty, r.Agreed = false, false, nil
	require.Equal(t, []string{"not-active", "no-agreement", "off-duty"}, codes(Eligible(s, r, "2026-11-25")), "all at once")
}
