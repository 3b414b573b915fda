package calibration

import (
	"encoding/json"
	"fmt"
	"strings"

	"readback/internal/dispatch"
	"readback/internal/stream"
)

// pairing is the fact "pairing": what other calibrations of the same job need to know of one that leads.
type pairing struct {
	Job    stream.ID  `json:"job"`
	State  string     `json:"state"`            // as below
	With   *stream.ID `json:"with,omitempty"`   // it follows another itself
	Desk   *stream.ID `json:"desk,omitempty"`   // of whoever has claimed it
	Member *stream.ID `json:"member,omitempty"` // who has claimed it
}

// The states of a pairing.
const (
	pairingPrepared = "preparing" // nobody was asked for yet
	pairingWaits    = "waiting"
	pairingClaimed  = "claimed"
	pairingOver     = "over"
)

func (s *State) pairing() pairing {
	p := pairing{Job: s.job, State: pairingClaimed}
	if s.request != nil {
		p.With = s.request.With
	}
	switch {
	case s.result != nil:
		p.State = pairingOver
	case s.claim != nil:
		p.Desk, p.Member = &s.claim.Desk, &s.claim.Member
	case s.request != nil:
		p.State = pairingWaits
	default:
		p.State = pairingPrepared
	}
	return p
}

// same compares by value.
func (p pairing) same(q pairing) bool {
	equal := func(a, b *stream.ID) bool { return a == b || a != nil && b != nil && *a == *b }
	return p.Job == q.Job && p.State == q.State && equal(p.With, q.With) && equal(p.Desk, q.Desk) && equal(p.Member, q.Member)
}

func (p pairing) claimedBy(who stream.Person) bool {
	return p.Desk != nil && p.Member != nil && stream.Person{Org: *p.Desk, Member: *p.Member} == who
}

func pairingKey(calibration stream.ID) stream.FactKey {
	return stream.FactKey{Stream: stream.Ref{Kind: stream.Calibration, ID: calibration}, Name: "pairing"}
}

func dutyKey(desk, member stream.ID) stream.FactKey {
	return registerKey(desk, "duty/"+member.String())
}

type duty struct {
	On bool `json:"on"`
}

// Fact gives "pairing", for the calibrations of the same job that follow this one.
func (Rules) Fact(state stream.State, name string) (json.RawMessage, uint64, bool) {
	s := state.(*State)
	if name != "pairing" || s.pairedAt == 0 {
		return nil, 0, false
	}
	raw, err := json.Marshal(s.pairing())
	return raw, s.pairedAt, err == nil
}

// leadOfJob does not tell another shop's calibration from none.
var leadOfJob = guard{"lead-of-job", "what it is asked for with is an open calibration of the same job that follows no other", func(a *asked) string {
	with := a.data.(requestOrder).With
	if with == nil {
		return ""
	}
	switch lead, ok := fact[pairing](a.facts, pairingKey(*with)); {
	case !ok, lead.Job != a.state.job, *with == a.state.id:
		return "There is no other calibration of this job with that id. Name the one that leads."
	case lead.With != nil:
		return fmt.Sprintf("That calibration follows %s itself. Name the one that leads.", *lead.With)
	case lead.State == pairingOver:
		return "That calibration is over. Ask without it."
	}
	return ""
}}

// gatesUnlessAdvice lets a question be asked before anything is ready.
var gatesUnlessAdvice = guard{"gates-by-request", "every required gate due by the request is met; a question needs none", func(a *asked) string {
	if a.data.(requestOrder).Advice {
		return ""
	}
	return unmet(a.state.gates, ByRequest, "request guidance", a.now)
}}

// onDuty holds whoever went off duty back. Who never used the switch is not held back, but is offered nothing either.
var onDuty = guard{"on-duty", "the specialist has not gone off duty", func(a *asked) string {
	if d, ok := fact[duty](a.facts, dutyKey(a.actor.Org, a.actor.Member)); ok && !d.On {
		return "You are off duty. Go on duty first."
	}
	return ""
}}

var languageSpoken = guard{"language", "the specialist speaks one of the languages asked for", func(a *asked) string {
	m, _ := fact[member](a.facts, memberKey(a.actor.Org, a.actor.Member))
	if dispatch.Speaks(m.Languages, a.state.request.Languages) {
		return ""
	}
	return fmt.Sprintf("The shop asks for %s, which your entry in the register does not list.", strings.Join(a.state.request.Languages, " or "))
}}

// leadFirst makes the claim of the calibration that leads the only fence: the others go to whoever has that one.
var leadFirst = guard{"lead-first", "what it was asked for with is claimed by the same specialist, or over", func(a *asked) string {
	with := a.state.request.With
	if with == nil {
		return ""
	}
	switch lead, _ := fact[pairing](a.facts, pairingKey(*with)); {
	case lead.State == pairingWaits:
		return fmt.Sprintf("It was asked for with calibration %s: claim that one first.", *with)
	case lead.State == pairingClaimed && !lead.claimedBy(a.actor.Person()):
		return fmt.Sprintf("It was asked for with calibration %s, which another specialist has claimed: this one is theirs.", *with)
	}
	return ""
}}

var notDeclined = guard{"not-declined", "the specialist has not declined it already", func(a *asked) string {
	for _, d := range a.state.declined {
		if d.Person() == a.actor.Person() {
			return "You have declined it already."
		}
	}
	return ""
}}
