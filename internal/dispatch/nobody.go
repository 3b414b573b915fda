package dispatch

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
)

// Nobody says why no one on duty may take the request, as far as the shop can do something about it: the first thing that leaves
// none of the staff. It goes by what Eligible says of each, so that the shop and the desk are never told different things. The
// staff are of the desks in Agreed. opening has the hours of the desks that stated them. With somebody who may, it is empty.
func Nobody(staff []Specialist, r Request, now time.Time, opening map[stream.ID]Opening) []Reason {
	if len(r.Agreed) == 0 {
		return []Reason{{"no-agreement", "The shop has no agreement in force with a desk: nobody sees the request."}}
	}
	day := Day(now)
	// left leaves those out whom one of the codes holds back.
	left := func(of []Specialist, codes ...string) (fit []Specialist) {
		for _, s := range of {
			held := slices.ContainsFunc(Eligible(s, r, day), func(x Reason) bool { return slices.Contains(codes, x.Code) })
			if !held {
				fit = append(fit, s)
			}
		}
		return fit
	}
	because := func(code, words string, args ...any) []Reason { return []Reason{{code, fmt.Sprintf(words, args...)}} }
	staff = left(staff, "not-active", "not-a-specialist", "no-agreement")
	if len(staff) == 0 {
		return because("no-specialist", "The desk has no specialist.")
	}
	proven := left(staff, "no-competence")
	if len(proven) == 0 {
		return because("no-competence", "No specialist of the desk has a proof of competence for %s.", r.Sensor)
	}
	current := left(proven, "competence-expired")
	if len(current) == 0 {
		return because("competence-expired", "Every proof of competence for %s at the desk has run out. The desk's owner enters the new one.", r.Sensor)
	}
	speak := left(current, "language")
	if len(speak) == 0 {
		return because("language", "No specialist of the desk for %s speaks %s; %s.", r.Sensor, anyOf(r.Languages), spoken(current, "are spoken"))
	}
	willing := left(speak, "declined")
	if len(willing) == 0 {
		return because("declined", "Every specialist who may take it has declined it. Telephone the desk.")
	}
	follow := left(willing, "lead-first", "lead-elsewhere")
	if len(follow) == 0 {
		return because("lead-elsewhere", "It was asked for together with another sensor, and who has taken that one may not take this.")
	}
	if there := left(follow, "off-duty"); len(there) > 0 {
		return nil
	}
	var list []Reason
	if there := left(current, "off-duty"); len(there) > len(left(there, "language")) {
		list = because("language", "No specialist on duty for %s speaks %s; %s.", r.Sensor, anyOf(r.Languages), spoken(there, "are on duty"))
	}
	return append(list, offDuty(follow, now, opening))
}

// offDuty says whether the desks of those who may take it are closed, or open without them.
func offDuty(of []Specialist, now time.Time, opening map[stream.ID]Opening) Reason {
	closed := true // all of them
	for _, s := range of {
		o, known := opening[s.Desk]
		closed = closed && known
		if !known {
			continue
		}
		if _, open := o.Hours.Open(now, o.Zone); open {
			return Reason{"off-duty", "The desk is open, and nobody is on duty who may take it."}
		}
	}
	if closed {
		return Reason{"desk-closed", "The desk is closed, and nobody is on duty who may take it."}
	}
	return Reason{"off-duty", "Nobody is on duty who may take it."}
}

// mostSpoken is how many languages are named.
const mostSpoken = 20

// spoken lists the languages of some people: "de, en are on duty".
func spoken(of []Specialist, are string) string {
	var list []string
	for _, s := range of {
		list = append(list, s.Languages...)
	}
	slices.Sort(list)
	if list = slices.Compact(list); len(list) == 0 {
		return "no language of theirs is on record"
	}
	if len(list) > mostSpoken {
		list = append(list[:mostSpoken], "others")
	}
	return strings.Join(list, ", ") + " " + are
}

func anyOf(languages []string) string { return strings.Join(languages, " or ") }
