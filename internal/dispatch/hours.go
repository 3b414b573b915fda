package dispatch

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Hours are when a desk is open: by the clock on the wall of one zone, day by day of the week, with dates that differ.
type Hours struct {
	Zone       string      `json:"zone"` // of the IANA database: Europe/Berlin
	Week       []DayHours  `json:"week"` // of any day at most one; a day that is not there is closed
	Exceptions []DateHours `json:"exceptions,omitempty"`
}

// DayHours is one day of the week.
type DayHours struct {
	Day  string `json:"day"` // monday … sunday
	Open []Span `json:"open"`
}

// DateHours is one date, whatever day of the week it is. No span: closed.
type DateHours struct {
	Date string `json:"date"` // 2026-12-24
	Open []Span `json:"open"`
}

// Span is from a minute of the day on until another, exclusive: 08:00 to 17:30. 24:00 ends the day.
type Span struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// Days lists the days of the week as Hours spells them.
func Days() []string {
	days := make([]string, 7)
	for i := range days {
		days[i] = strings.ToLower(time.Weekday((i + 1) % 7).String())
	}
	return days
}

// Zone finds a time zone by its IANA name. Whatever the machine's own zone is called is refused.
func Zone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("time zone %q: want a name such as Europe/Berlin", name)
	}
	return time.LoadLocation(name)
}

// MinuteOf reads a time of day, 00:00 to 24:00, as minutes from midnight.
func MinuteOf(text string) (int, bool) {
	if strings.Trim(text, "0123456789:") != "" {
		return 0, false
	}
	h, m, ok := strings.Cut(text, ":")
	hour, errH := strconv.Atoi(h)
	minute, errM := strconv.Atoi(m)
	if !ok || len(h) != 2 || len(m) != 2 || errH != nil || errM != nil || minute > 59 || 60*hour+minute > 24*60 {
		return 0, false
	}
	return 60*hour + minute, true
}

// horizon is how many days ahead an opening is looked for.
const horizon = 400

// period is a time of being open.
type period struct{ from, to time.Time }

// on gives the periods of one date in order. Where the clock is put forward over a time, that time comes at that moment;
// where it is put back over one, what opens then opens the first time and what closes closes the second.
func (h Hours) on(year int, month time.Month, day int, zone *time.Location) []period {
	noon := time.Date(year, month, day, 12, 0, 0, 0, zone)
	var out []period
	for _, span := range h.spans(noon) {
		from, okFrom := MinuteOf(span.From)
		to, okTo := MinuteOf(span.To)
		p := period{instant(year, month, day, from, zone, false), instant(year, month, day, to, zone, true)}
		if okFrom && okTo && p.from.Before(p.to) {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b period) int { return a.from.Compare(b.from) })
	return out
}

func (h Hours) spans(noon time.Time) []Span {
	date := noon.Format(time.DateOnly)
	for _, e := range h.Exceptions {
		if e.Date == date {
			return e.Open
		}
	}
	day := strings.ToLower(noon.Weekday().String())
	for _, d := range h.Week {
		if d.Day == day {
			return d.Open
		}
	}
	return nil
}

// instant is when the clock on the wall shows the minute of the day; if it shows it twice, the earlier or the later; if
// never, when the clock is put forward over it.
func instant(year int, month time.Month, day, minute int, zone *time.Location, later bool) time.Time {
	wall := time.Date(year, month, day, 0, minute, 0, 0, time.UTC)
	under := func(near time.Time) time.Time { // the instant by the offset in force then
		_, offset := near.In(zone).Zone()
		return wall.Add(-time.Duration(offset) * time.Second)
	}
	before, after := under(wall.Add(-36*time.Hour)), under(wall.Add(36*time.Hour))
	shows := func(t time.Time) bool {
		_, offset := t.In(zone).Zone()
		return t.Add(time.Duration(offset) * time.Second).Equal(wall)
	}
	switch first, second := minTime(before, after), maxTime(before, after); {
	case later && shows(second):
		return second
	case shows(first):
		return first
	case shows(second):
		return second
	}
	change, _ := before.In(zone).ZoneBounds() // by the offset before it, it would be just after
	return change
}

func minTime(a, b time.Time) time.Time {
	if cmp.Compare(a.UnixNano(), b.UnixNano()) <= 0 {
		return a
	}
	return b
}

func maxTime(a, b time.Time) time.Time {
	if minTime(a, b).Equal(a) {
		return b
	}
	return a
}

// periods gives the periods from the day before the instant on, joined where one begins when the other ends, until one is
// enough for the caller.
func (h Hours) periods(at time.Time, zone *time.Location, enough func(period) bool) {
	y, m, d := at.In(zone).Date()
	var last *period
	for i := -1; i <= horizon; i++ {
		for _, p := range h.on(y, m, d+i, zone) {
			if last != nil && !p.from.After(last.to) {
				last.to = maxTime(last.to, p.to)
				continue
			}
			if last != nil && enough(*last) {
				return
			}
			last = &p
		}
	}
	if last != nil {
		enough(*last)
	}
}

// Open says until when the desk is open, if it is open at the instant.
func (h Hours) Open(at time.Time, zone *time.Location) (until time.Time, open bool) {
	h.periods(at, zone, func(p period) bool {
		if !at.Before(p.from) && at.Before(p.to) {
			until, open = p.to, true
		}
		return p.to.After(at)
	})
	return until, open
}

// Next is the first opening after the instant; false if there is none within 400 days.
func (h Hours) Next(at time.Time, zone *time.Location) (opens time.Time, ok bool) {
	h.periods(at, zone, func(p period) bool {
		if p.from.After(at) {
			opens, ok = p.from, true
		}
		return ok
	})
	return opens, ok
}

// Between is how long the desk is open from one instant to a later one.
func (h Hours) Between(from, to time.Time, zone *time.Location) (open time.Duration) {
	h.periods(from, zone, func(p period) bool {
		if begins, ends := maxTime(p.from, from), minTime(p.to, to); begins.Before(ends) {
			open += ends.Sub(begins)
		}
		return !p.to.Before(to)
	})
	return open
}

// After is the instant by which the desk will have been open so long; false if it does not open so long within 400 days.
func (h Hours) After(from time.Time, open time.Duration, zone *time.Location) (at time.Time, ok bool) {
	if open <= 0 {
		return from, true
	}
	h.periods(from, zone, func(p period) bool {
		begins := maxTime(p.from, from)
		if !begins.Before(p.to) {
			return false
		}
		if is := p.to.Sub(begins); is < open {
			open -= is
			return false
		}
		at, ok = begins.Add(open), true
		return true
	})
	return at, ok
}
