package dispatch

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
)

// MostAtOnce is how many calibrations a specialist is offered to have in hand at once: one of them running, the others in
// set-up. Common practice, no source.
const MostAtOnce = 4

// Specialist is a member of a desk, as far as taking requests goes.
type Specialist struct {
	Desk        stream.ID
	Member      stream.ID
	Active      bool
	Role        bool // holds the role specialist
	OnDuty      bool
	Languages   []string          // spoken, as in Request
	Competences map[string]string // last day that the proof counts, by sensor: 2027-03-31
	InHand      int               // calibrations claimed and not over
}

// Person is who it is.
func (s Specialist) Person() stream.Person { return stream.Person{Org: s.Desk, Member: s.Member} }

// Request is what a specialist must fit.
type Request struct {
	Shop      stream.ID
	Sensor    string
	Languages []string        // any of these will do; none: any language
	Agreed    []stream.ID     // the desks that the shop has an agreement with now
	Declined  []stream.Person // who declined it
	LeadHeld  stream.Person   // who claimed the request that leads; zero: nobody, or none leads
	LeadWaits bool            // the request that leads waits itself
}

// Eligible lists every reason why the specialist is not offered the request on that day (2026-11-25, in UTC); with none,
// it is the specialist's to take.
func Eligible(s Specialist, r Request, day string) []Reason {
	var list []Reason
	add := func(code, words string, args ...any) { list = append(list, Reason{code, fmt.Sprintf(words, args...)}) }
	if !s.Active {
		add("not-active", "The member is retired.")
	}
	if !s.Role {
		add("not-a-specialist", "The member does not hold the role specialist.")
	}
	if !slices.Contains(r.Agreed, s.Desk) {
		add("no-agreement", "The shop has no agreement in force with the desk.")
	}
	switch until, ok := s.Competences[r.Sensor]; {
	case !ok:
		add("no-competence", "The register holds no proof of competence for %s.", r.Sensor)
	case until < day:
		add("competence-expired", "The proof of competence for %s ran out on %s.", r.Sensor, until)
	}
	if !Speaks(s.Languages, r.Languages) {
		add("language", "The shop asks for %s.", strings.Join(r.Languages, " or "))
	}
	if slices.Contains(r.Declined, s.Person()) {
		add("declined", "The member declined it.")
	}
	switch {
	case r.LeadWaits:
		add("lead-first", "It was asked for together with another sensor of the car: that one is taken first.")
	case r.LeadHeld != stream.Person{} && r.LeadHeld != s.Person():
		add("lead-elsewhere", "Another specialist has taken the request that leads; this one follows.")
	}
	if !s.OnDuty {
		add("off-duty", "The member is not on duty.")
	}
	if s.InHand >= MostAtOnce {
		add("hands-full", "The member has %d calibrations in hand.", s.InHand)
	}
	return list
}

// Day is the calendar day that proofs of competence are compared with.
func Day(now time.Time) string { return now.UTC().Format(time.DateOnly) }
