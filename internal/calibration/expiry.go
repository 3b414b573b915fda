package calibration

import (
	"fmt"
	"slices"

	"readback/internal/stream"
)

// What has run out either holds the work back or goes on the record as a caution; the shop says which in its register.
const (
	refused   = "refuse"
	cautioned = "caution"
)

// expiry is that choice for each kind of proof.
type expiry struct {
	Survey      string `json:"survey"`
	Instruments string `json:"instruments"`
	Competence  string `json:"competence"`
}

// expiry reads the shop's choice. Where it has made none, an expired survey is a caution, and a certificate or a proof of
// competence that has run out holds the work back.
func (a *asked) expiry() expiry {
	o, _ := fact[struct {
		Expired expiry `json:"expired"`
	}](a.facts, organisationKey(a.state.shop))
	e := o.Expired
	for _, each := range []struct {
		of        *string
		otherwise string
	}{{&e.Survey, cautioned}, {&e.Instruments, refused}, {&e.Competence, refused}} {
		if *each.of == "" {
			*each.of = each.otherwise
		}
	}
	return e
}

// looksAtExpiry reports whether a guard of the row needs the shop's choice.
func (r *row) looksAtExpiry() bool {
	return slices.ContainsFunc(r.guards, func(g guard) bool {
		return g.name == personCompetent.name || g.name == instrumentsCurrent.name || g.name == surveyCurrent.name
	})
}

// overdue says which instruments in use have a certificate past its due date.
func (a *asked) overdue() (names []string) {
	a.instruments(func(_ string, i *instrument) string {
		if i != nil && i.Due < day(a.now) {
			names = append(names, fmt.Sprintf("%s was due on %s", i.Name, i.Due))
		}
		return ""
	})
	return names
}

// expiredCautions are what has run out and was let pass, for the record.
func (a *asked) expiredCautions() (out []string) {
	if len(a.overdue()) > 0 {
		out = append(out, "instrument-overdue")
	}
	return append(out, a.competenceCautions()...)
}

func (a *asked) competenceCautions() []string {
	if a.role == stream.Owner {
		return nil
	}
	if _, expired := competent(a.facts, memberKey(a.actor.Org, a.actor.Member), a.state.sensor, a.now); expired {
		return []string{"competence-expired"}
	}
	return nil
}

var surveyCurrent = guard{"survey-current", "the bay's floor is surveyed and the survey has not expired, if the shop asks for that", func(a *asked) string {
	sheet := a.state.sheet()
	if sheet == nil || a.expiry().Survey != refused {
		return ""
	}
	b, _ := fact[bay](a.facts, a.state.bayKey(sheet.Bay))
	switch {
	case b.Floor == nil:
		return fmt.Sprintf("The floor of %s has not been surveyed, and the shop works on surveyed floors only. Enter a survey.", b.Name)
	case b.Expires < day(a.now):
		return fmt.Sprintf("The floor survey of %s expired on %s, and the shop works on current surveys only. Enter a new one.", b.Name, b.Expires)
	}
	return ""
}}
