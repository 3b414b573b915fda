package dispatch

import (
	"math"
	"slices"
	"time"
)

// Chance is how often the stated range shall hold.
const Chance = 0.80

// Outcome is an earlier wait: the middle that was computed for it when it was asked for, and how long it was.
type Outcome struct {
	Middle time.Duration // as Estimate.Model said
	Waited time.Duration // of it, the time that the desk was open
}

// Situation is what a wait follows from.
type Situation struct {
	// OnDuty has for each specialist on duty who may take the request how many calibrations that one has in hand.
	OnDuty []int
	// Ahead is how many requests go before this one to the same people.
	Ahead int
	// Durations are recent times from claim to the end, of that the time that the desk was open.
	Durations []time.Duration
	// Outcomes are recent waits, newest first.
	Outcomes []Outcome
	// Now is when it is asked.
	Now time.Time
	// Desks are when the desks of those on duty are open, as far as that is known of each.
	Desks []Opening
	// Opens is the next opening, if nobody is on duty; zero: not known.
	Opens time.Time
}

// Opening is when a desk is open, by the clock on the wall of its zone.
type Opening struct {
	Hours Hours
	Zone  *time.Location
}

// Estimate is how long the wait will be: from Low to High with Chance. Nobody says that no one who may take the request
// is on duty; then there is no figure, and Opens is the next opening if it is known.
type Estimate struct {
	Nobody bool
	Opens  time.Time
	Low    time.Duration
	Middle time.Duration
	High   time.Duration
	Model  time.Duration // the middle by the queue alone, before what earlier waits say of it, in hours of opening
	OnDuty int
	Ahead  int
	From   int // how many earlier waits the range comes from; below Enough it is a wide guess
}

const (
	// Enough is from how many earlier waits on the range follows them alone.
	Enough = 40
	// recent is how many of the newest waits of a kind count: enough for the outer tenths, few enough to follow the season.
	recent = 200

	// usual is taken for a duration while there are no recent ones. From memory: three quarters of an hour.
	usual = 45 * time.Minute
	// grain keeps the ratio of short waits in bounds: a wait of 30 s after a middle of 0 is not endlessly too long.
	grain = 2 * time.Minute
)

// guess are outcomes of a wide range, in effect until there are enough real ones: a wait between a fifth and three times
// the middle, and up to half an hour after a middle of nothing.
var guess = []Outcome{
	{0, 0}, {0, 2 * time.Minute}, {0, 5 * time.Minute}, {0, 15 * time.Minute}, {0, 30 * time.Minute},
	{time.Hour, 12 * time.Minute}, {time.Hour, 30 * time.Minute}, {time.Hour, time.Hour}, {time.Hour, 2 * time.Hour}, {time.Hour, 3 * time.Hour},
}

// Expect makes the estimate. The middle of the model is what the line gives: every hand that is free takes one at once,
// and then one comes free every mean duration divided by the hands. How far off such a middle is, earlier waits tell:
// the range leaves out the outer tenths of the ratios between waits and their middles on either side, so that it holds as
// often as it says, as long as tomorrow is like the days before.
func Expect(s Situation) Estimate {
	e := Estimate{OnDuty: len(s.OnDuty), Ahead: s.Ahead}
	if len(s.OnDuty) == 0 {
		e.Nobody, e.Opens = true, s.Opens
		return e
	}
	e.Model = s.model()
	like := s.like(e.Model)
	e.From = len(like)
	if len(like) < Enough {
		for _, o := range guess {
			if (o.Middle == 0) == (e.Model == 0) {
				like = append(like, o)
			}
		}
	}
	ratios := make([]float64, len(like))
	for i, o := range like {
		ratios[i] = float64(o.Waited+grain) / float64(o.Middle+grain)
	}
	slices.Sort(ratios)
	at := func(q float64) time.Duration {
		return s.wall(max(0, time.Duration(quantile(ratios, q)*float64(e.Model+grain))-grain)).Round(time.Second)
	}
	e.Low, e.Middle, e.High = at((1-Chance)/2), at(0.5), at((1+Chance)/2)
	return e
}

// model is the middle by the line alone.
func (s Situation) model() time.Duration {
	free := 0
	hands := MostAtOnce * len(s.OnDuty)
	for _, inHand := range s.OnDuty {
		free += max(0, MostAtOnce-inHand)
	}
	wait := time.Duration(0)
	if turn := s.Ahead - free + 1; turn > 0 {
		wait = time.Duration(float64(turn) * float64(mean(s.Durations)) / float64(hands))
	}
	return wait
}

// wall turns a time of a desk's being open into what the clock shows: the night is waited through. Of several desks the one
// that has been open so long first counts, since any may take it.
func (s Situation) wall(open time.Duration) time.Duration {
	shortest := time.Duration(-1)
	for _, d := range s.Desks {
		at, ok := d.Hours.After(s.Now, open, d.Zone)
		if _, isOpen := d.Hours.Open(s.Now, d.Zone); !isOpen || !ok {
			return open // somebody is on duty all the same
		}
		if clock := at.Sub(s.Now); shortest < 0 || clock < shortest {
			shortest = clock
		}
	}
	if shortest < 0 {
		return open
	}
	return shortest
}

// Took is how long something took that began while the desk was open: as long as it was open meanwhile. What began while it was
// closed, with somebody on duty all the same, went by the clock. That is how wall turns it back.
func (o Opening) Took(from, to time.Time) time.Duration {
	if o.Zone == nil {
		return to.Sub(from)
	}
	if _, open := o.Hours.Open(from, o.Zone); !open {
		return to.Sub(from)
	}
	return o.Hours.Between(from, to, o.Zone)
}

// like gives the newest outcomes of the same kind: free hands or none, which are off in different ways.
func (s Situation) like(model time.Duration) []Outcome {
	var same []Outcome
	for _, o := range s.Outcomes {
		if (o.Middle == 0) == (model == 0) && len(same) < recent {
			same = append(same, o)
		}
	}
	return same
}

func mean(list []time.Duration) time.Duration {
	if len(list) == 0 {
		return usual
	}
	var sum time.Duration
	for _, d := range list {
		sum += d
	}
	return sum / time.Duration(len(list))
}

// quantile of a sorted list for the next value to come: with n values, the next falls below the k-th with a chance of
// k/(n+1). In between it is interpolated; beyond the outermost values it stays at them.
func quantile(sorted []float64, q float64) float64 {
	n := len(sorted)
	at := q*float64(n+1) - 1
	low := int(math.Floor(at))
	switch {
	case low < 0:
		return sorted[0]
	case low >= n-1:
		return sorted[n-1]
	}
	return sorted[low] + (at-float64(low))*(sorted[low+1]-sorted[low])
}
