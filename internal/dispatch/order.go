package dispatch

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"time"

	"readback/internal/stream"
)

// Class is what a request is, by the state of its car and set-up.
type Class string

// The classes, the most urgent first.
const (
	Held     Class = "held"     // the vehicle is held in the middle of a routine, or stopped with an attempt open
	Ready    Class = "ready"    // frozen: whoever comes can start at once
	Promised Class = "promised" // to be handed over at a stated time
	Ordinary Class = "ordinary"
	Advice   Class = "advice" // a question; no car stands still for it
)

// Classes lists the classes in that order.
func Classes() []Class { return []Class{Held, Ready, Promised, Ordinary, Advice} }

// How long a request of each class may wait before it goes ahead of every class: its due time is when it was asked for
// plus this. Common practice, no source; they express an order and promise nothing.
const (
	// heldBefore is counted off: a held vehicle goes before all that were asked for up to a day earlier.
	heldBefore   = 24 * time.Hour
	readyIn      = 5 * time.Minute
	promisedIn   = 10 * time.Minute // at the earliest, however near the promise is
	ordinaryIn   = 30 * time.Minute
	adviceIn     = 90 * time.Minute
	promisedWork = 60 * time.Minute // how long before the promised time the work has to begin
)

// Waiting is one request, as far as its place goes.
type Waiting struct {
	Calibration stream.ID
	Requested   time.Time // first asked for; a request that was returned keeps it
	Held        bool      // an attempt is open, or a stop is not lifted
	Ready       bool      // the set-up is frozen
	Promised    time.Time // the car is promised for; zero: no promise
	Advice      bool
	Lead        stream.ID // the request that it was asked together with, and that leads; zero: none
}

// Class is the request's class; the most urgent that fits.
func (w Waiting) Class() Class {
	switch {
	case w.Held:
		return Held
	case w.Ready:
		return Ready
	case w.Advice:
		return Advice
	case !w.Promised.IsZero() && w.promisedDue().Before(w.Requested.Add(ordinaryIn)):
		return Promised
	}
	return Ordinary
}

// Due is what the order goes by.
func (w Waiting) Due() time.Time {
	switch w.Class() {
	case Held:
		return w.Requested.Add(-heldBefore)
	case Ready:
		return w.Requested.Add(readyIn)
	case Promised:
		return w.promisedDue()
	case Advice:
		return w.Requested.Add(adviceIn)
	}
	return w.Requested.Add(ordinaryIn)
}

func (w Waiting) promisedDue() time.Time {
	due, earliest := w.Promised.Add(-promisedWork), w.Requested.Add(promisedIn)
	if due.Before(earliest) {
		return earliest
	}
	return due
}

// Place is where a request stands and why.
type Place struct {
	Waiting
	Position int // from 1
	Class    Class
	Due      time.Time
	Reasons  []Reason // the class first
}

// Order sorts requests by due time, then by when they were asked for, then by id. Requests that were asked for together
// stand together, behind the one that leads, where the most urgent of them would stand.
func Order(waiting []Waiting, now time.Time) []Place {
	group := map[stream.ID]time.Time{} // due time by lead
	there := map[stream.ID]bool{}
	for _, w := range waiting {
		there[w.Calibration] = true
	}
	lead := func(w Waiting) stream.ID {
		if there[w.Lead] {
			return w.Lead
		}
		return w.Calibration
	}
	asked := map[stream.ID]time.Time{} // of the lead
	for _, w := range waiting {
		id := lead(w)
		if due, ok := group[id]; !ok || w.Due().Before(due) {
			group[id] = w.Due()
		}
		if id == w.Calibration {
			asked[id] = w.Requested
		}
	}
	sorted := slices.Clone(waiting)
	slices.SortFunc(sorted, func(a, b Waiting) int {
		la, lb := lead(a), lead(b)
		return cmp.Or(
			group[la].Compare(group[lb]), asked[la].Compare(asked[lb]), bytes.Compare(la[:], lb[:]),
			follows(a, la)-follows(b, lb), a.Requested.Compare(b.Requested), bytes.Compare(a.Calibration[:], b.Calibration[:]))
	})
	places := make([]Place, len(sorted))
	for i, w := range sorted {
		due := group[lead(w)]
		places[i] = Place{Waiting: w, Position: i + 1, Class: w.Class(), Due: due, Reasons: w.reasons(due, lead(w) != w.Calibration, now)}
	}
	return places
}

func follows(w Waiting, lead stream.ID) int {
	if w.Calibration == lead {
		return 0
	}
	return 1
}

// reasons explains a place.
func (w Waiting) reasons(due time.Time, follows bool, now time.Time) []Reason {
	var list []Reason
	add := func(code, words string, args ...any) { list = append(list, Reason{code, fmt.Sprintf(words, args...)}) }
	switch w.Class() {
	case Held:
		add("vehicle-held", "The vehicle is held: an attempt is open or a stop is not lifted. It goes before all others.")
	case Ready:
		add("frozen-ready", "The set-up is frozen: whoever takes it can go on at once. It is due %s after it was asked for.", minutes(readyIn))
	case Promised:
		add("promised", "The car is promised for %s; work should begin by %s.", moment(w.Promised), moment(w.Due()))
	case Advice:
		add("advice", "A question, for which no car stands still. It is due %s after it was asked.", minutes(adviceIn))
	default:
		add("ordinary", "It is due %s after it was asked for.", minutes(ordinaryIn))
	}
	if follows {
		add("asked-together", "It was asked for together with another sensor of the car, which leads.")
	}
	if due.Before(w.Due()) {
		add("lifted-by-group", "A more urgent sensor of the same car lifts it.")
	}
	if !w.Promised.IsZero() && !w.Promised.After(now) {
		add("promise-passed", "The promised time has passed: the place stays, and the shop should be told when somebody comes.")
	}
	if late := now.Sub(due); late >= time.Minute && w.Class() != Held {
		add("waited-long", "It has been due for %s: it goes before everything that is due later, of whatever class.", minutes(late))
	}
	return list
}

// moment writes a time of day in UTC: who reads the sentence may be in another zone.
func moment(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// minutes writes whole minutes.
func minutes(d time.Duration) string { return fmt.Sprintf("%d min", int(d/time.Minute)) }
