package placement

import (
	"encoding/json"
	"math"

	"readback/internal/metrology"
	"readback/internal/strict"
)

// Limits are how far a judged quantity may be off its nominal value: the least and the largest deviation, in its unit and
// with its sign. A side that is nil is not limited; one of them is there. ±T is both sides at T.
type Limits struct {
	Lower *float64
	Upper *float64
}

// PlusMinus gives the limits ±t.
func PlusMinus(t float64) Limits {
	lower := -t
	return Limits{Lower: &lower, Upper: &t}
}

// Tolerance holds the limits of each judged quantity. What has none is not judged.
type Tolerance map[Judged]Limits

// PlusMinus is the T of limits that are ±T; false for others.
func (l Limits) PlusMinus() (t float64, is bool) {
	if l.Lower == nil || l.Upper == nil || *l.Lower != -*l.Upper {
		return 0, false
	}
	return *l.Upper, true
}

// MarshalJSON writes the limits as a case file has them: T for ±T, else an object with lower, upper or both.
func (l Limits) MarshalJSON() ([]byte, error) {
	if t, is := l.PlusMinus(); is {
		return json.Marshal(t)
	}
	return json.Marshal(struct {
		Lower *float64 `json:"lower,omitempty"`
		Upper *float64 `json:"upper,omitempty"`
	}{l.Lower, l.Upper})
}

func readTolerance(o *strict.Object) Tolerance {
	t := Tolerance{}
	for _, q := range allJudged {
		if o.Has(string(q)) {
			t[q] = readLimits(o, q)
		}
	}
	if len(t) == 0 && len(o.Keys()) == 0 {
		o.Reject(string(DistanceMM), "at least one limit")
	}
	return t
}

// readLimits reads a number T or an object of one or two sides. One side alone that leaves the nominal out is refused: it
// is nearly always a sign too many. A source that means it states both.
func readLimits(o *strict.Object, q Judged) Limits {
	g := strict.Range{Above: true, Max: 1000, Unit: "mm"}
	if q.Unit() == Deg {
		g.Max, g.Unit = 45, "degrees"
	}
	key := string(q)
	if !o.HoldsObject(key) {
		v, _ := o.OptFloat(key, g)
		return PlusMinus(v)
	}
	g.Min, g.Above = -g.Max, false
	in, _ := o.OptObject(key)
	l := Limits{Lower: optional(in, "lower", g), Upper: optional(in, "upper", g)}
	switch {
	case !in.Has("lower") && !in.Has("upper"):
		in.Reject("upper", "the largest deviation here, or the least as lower, or both")
	case l.Lower != nil && l.Upper != nil && *l.Lower >= *l.Upper:
		in.Reject("upper", "above lower, the least deviation")
	case !in.Has("lower") && l.Upper != nil && *l.Upper < 0:
		in.Reject("upper", "0 or more, so that the nominal is within; if the source leaves it out, state lower too")
	case !in.Has("upper") && l.Lower != nil && *l.Lower > 0:
		in.Reject("lower", "0 or less, so that the nominal is within; if the source leaves it out, state upper too")
	}
	return l
}

// limit is one judged quantity with its limits. A side without one is at infinity.
type limit struct {
	of           Judged
	lower, upper float64
	t            float64 // what an uncertainty is held against
}

// What an uncertainty is held against where a limit has one side alone and the nominal stands nearer to it than this: such
// a limit has no width of its own. The figures are this project's choice.
const (
	leastRoomMM  = 5.0
	leastRoomDeg = 0.25
)

// limit gives both sides as numbers, and t: half the width between two limits; for one alone the room between it and the
// nominal, but not less than leastRoom.
func (l Limits) limit(of Judged) limit {
	room := leastRoomMM
	if of.Unit() == Deg {
		room = leastRoomDeg
	}
	switch {
	case l.Lower == nil:
		return limit{of: of, lower: math.Inf(-1), upper: *l.Upper, t: max(*l.Upper, room)}
	case l.Upper == nil:
		return limit{of: of, lower: *l.Lower, upper: math.Inf(1), t: max(-*l.Lower, room)}
	}
	return limit{of: of, lower: *l.Lower, upper: *l.Upper, t: (*l.Upper - *l.Lower) / 2}
}

// oneSided reports whether one side alone is limited.
func (l limit) oneSided() bool { return math.IsInf(l.lower, -1) || math.IsInf(l.upper, 1) }

// enough is the largest uncertainty with which something can be placed for good: between two limits the middle conforms then;
// at one the guard that the uncertainty asks for is no wider than t.
func (l limit) enough() float64 {
	if l.oneSided() {
		return l.t / metrology.OneSided
	}
	return l.t / metrology.Within
}

// best is the deviation that moves aim at: the middle between two limits. With one alone it is the nominal, or, where that
// is too near the limit, as far inside as the uncertainty u and the step of moving ask for.
func (l limit) best(u, step float64) float64 {
	guard := metrology.OneSided*u + step
	switch {
	case math.IsInf(l.lower, -1):
		return min(0, l.upper-guard)
	case math.IsInf(l.upper, 1):
		return max(0, l.lower+guard)
	}
	return (l.lower + l.upper) / 2
}
