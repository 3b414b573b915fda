package register

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/dispatch"
	"readback/internal/strict"
)

// mostDates is how many dates may differ from the week.
const mostDates = 400

// readHours reads when the organisation can be had. It is the fact "hours".
func readHours(in intake) dispatch.Hours {
	h := dispatch.Hours{Zone: in.String("zone", 60), Week: []dispatch.DayHours{}}
	if _, err := dispatch.Zone(h.Zone); err != nil && h.Zone != "" {
		in.Reject("zone", "a time zone of the IANA database, such as Europe/Berlin")
	}
	named := map[string]bool{}
	once := func(o *strict.Object, key, name, want string) {
		if named[name] {
			o.Reject(key, want)
		}
		named[name] = true
	}
	for _, o := range in.Objects("week", 0, 7) {
		d := dispatch.DayHours{Day: o.Enum("day", dispatch.Days()...), Open: readSpans(o)}
		once(o, "day", d.Day, "each day once")
		h.Week = append(h.Week, d)
	}
	for _, o := range in.OptObjects("exceptions", 0, mostDates) {
		d := dispatch.DateHours{Date: (intake{Object: o}).date("date"), Open: readSpans(o)}
		once(o, "date", d.Date, "each date once")
		h.Exceptions = append(h.Exceptions, d)
	}
	slices.SortStableFunc(h.Exceptions, func(a, b dispatch.DateHours) int { return strings.Compare(a.Date, b.Date) })
	return h
}

// readSpans reads the times of one day: in order and apart from each other. None: closed.
func readSpans(o *strict.Object) []dispatch.Span {
	spans := []dispatch.Span{}
	last := -1
	for i, in := range o.Objects("open", 0, 6) {
		span := dispatch.Span{From: in.String("from", 5), To: in.String("to", 5)}
		from, ok := dispatch.MinuteOf(span.From)
		if !ok && span.From != "" {
			in.Reject("from", "a time of day from 00:00 to 24:00")
		}
		to, okTo := dispatch.MinuteOf(span.To)
		switch {
		case !okTo && span.To != "":
			in.Reject("to", "a time of day from 00:00 to 24:00")
		case ok && okTo && to <= from:
			in.Reject("to", "later than from, which is "+span.From)
		case ok && from <= last:
			in.Reject("from", fmt.Sprintf("later than the end of open[%d]", i-1))
		}
		last = max(last, to)
		spans = append(spans, span)
	}
	return spans
}

func (s *State) checkHours(g given[dispatch.Hours]) error {
	if s.hoursAt > 0 && alike(s.hours, g.data) {
		return unchanged()
	}
	return nil
}

func (s *State) setHours(h dispatch.Hours) error {
	s.hours, s.hoursAt = h, s.seq
	return nil
}

// Hours are when the organisation can be had, and in which zone; false if that was never said.
func (s *State) Hours() (dispatch.Hours, *time.Location, bool) {
	if s.hoursAt == 0 {
		return dispatch.Hours{}, nil, false
	}
	zone, err := dispatch.Zone(s.hours.Zone)
	return s.hours, zone, err == nil
}
