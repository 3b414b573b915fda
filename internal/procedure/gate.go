package procedure

import (
	"readback/internal/stream"
	"readback/internal/strict"
)

// The grades of a gate.
const (
	Required = "required" // must be met
	Caution  = "caution"  // must be met, or waived by the specialist with a reason
	Recorded = "recorded" // must be answered, whatever the answer
)

// When a gate is due at the latest.
const (
	ByRequest = "request" // before a specialist is asked to come
	ByLeg     = "leg"     // before the routine runs
	ByDrive   = "drive"   // before the drive on the road
)

// How an answer is known.
const (
	Measured     = "measured"
	Photographed = "photographed"
	Declared     = "declared"
)

// Gate is one condition of car, bay or surroundings.
type Gate struct {
	Name       string     `json:"gate"`
	Asks       string     `json:"asks"` // what is to be so, in words
	Grade      string     `json:"grade"`
	By         string     `json:"by"`
	Evidence   string     `json:"evidence"`        // what an answer must be at least
	Value      *Figure    `json:"value,omitempty"` // nil: no figure is asked for
	Limits     string     `json:"limits,omitempty"`
	LimitsBy   *stream.ID `json:"limits_by,omitempty"`
	ExpiresMin int64      `json:"expires_min,omitempty"` // minutes that an answer counts; 0: it does not run out
}

// maxExpiresMin is thirty days.
const maxExpiresMin = 30 * 24 * 60

func readGates(o *strict.Object, f form) []Gate {
	list := o.Objects("gates", 1, MaxGates)
	all := make([]Gate, len(list))
	seen := map[string]bool{}
	legs, drive := o.Has("set_ups") || !o.Has("drive"), o.Has("drive")
	for i, each := range list {
		all[i] = readGate(each, f)
		once(seen, each, "gate", all[i].Name, "gate")
		all[i].due(each, legs, drive)
	}
	return all
}

func readGate(o *strict.Object, f form) Gate {
	g := Gate{
		Name: name(o, "gate"), Asks: o.String("asks", maxAsks),
		Grade: o.Enum("grade", Required, Caution, Recorded), By: o.Enum("by", ByRequest, ByLeg, ByDrive),
		Evidence: o.Enum("evidence", Measured, Photographed, Declared),
	}
	g.ExpiresMin, _ = o.OptInt("expires_min", 1, maxExpiresMin)
	bounded := false
	if v, there := o.OptObject("value"); there {
		figure := readFigure(v, f, g.Grade)
		g.Value, bounded = &figure, v.Has("lower") || v.Has("upper")
		if g.Evidence == Declared {
			o.Reject("evidence", "measured or photographed: a figure is not declared")
		}
	} else if g.Evidence == Measured {
		o.Reject("value", "missing: what is measured is answered with a figure; name at least its unit")
	}
	g.Limits, g.LimitsBy = readLimits(o, bounded)
	return g
}

// due refuses a gate that nothing would ever wait for.
func (g Gate) due(o *strict.Object, legs, drive bool) {
	judged := g.Grade == Caution || g.Grade == Recorded
	then := ByLeg
	if !legs {
		then = ByDrive
	}
	switch {
	case g.By == ByLeg && !legs:
		o.Reject("by", ByRequest+" or "+ByDrive+": a road drive alone has no leg")
	case g.By == ByDrive && !drive:
		o.Reject("by", ByRequest+" or "+ByLeg+": the procedure has no drive")
	case g.By == ByRequest && judged:
		o.Reject("by", then+": only a required gate holds the request back, as nobody is there yet to waive or to read")
	}
}

// Range is what a figure must lie in, both ends included; an end that is nil is open.
type Range struct {
	Lower *int64 `json:"lower,omitempty"`
	Upper *int64 `json:"upper,omitempty"`
}

// Holds reports whether the amount is in the range.
func (r Range) Holds(amount int64) bool {
	return (r.Lower == nil || amount >= *r.Lower) && (r.Upper == nil || amount <= *r.Upper)
}

// Figure is the value a gate is answered with: its unit, and the limits it must lie in.
type Figure struct {
	Unit string `json:"unit"` // of the whole form
	Range
	// Caution lies within the limits of a required gate: between the two the gate is met, and still needs the
	// specialist's waiver.
	Caution *Range `json:"caution,omitempty"`
}

func readFigure(o *strict.Object, f form, grade string) Figure {
	u := readUnit(o, f)
	v := Figure{Unit: u.whole, Range: readRange(o, u, f)}
	inner, there := o.OptObject("caution")
	if !there {
		return v
	}
	c := readRange(inner, u, f)
	v.Caution = &c
	switch {
	case grade != Required && grade != "":
		o.Reject("caution", "leave it out: the gate is graded "+grade)
	case !inner.Has("lower") && !inner.Has("upper"):
		o.Reject("caution", "a lower or an upper limit")
	case !o.Has("lower") && !o.Has("upper"):
		o.Reject("caution", "leave it out: without limits of the gate, grade the gate itself a caution")
	}
	u.inside(inner, "lower", v.Lower, c.Lower, f, func(outer, inner int64) bool { return inner > outer }, "above")
	u.inside(inner, "upper", v.Upper, c.Upper, f, func(outer, inner int64) bool { return inner < outer }, "below")
	if v.Upper != nil && c.Lower != nil && *c.Lower >= *v.Upper {
		inner.Reject("lower", "below the upper limit, which is "+u.say(*v.Upper, f))
	}
	if v.Lower != nil && c.Upper != nil && *c.Upper <= *v.Lower {
		inner.Reject("upper", "above the lower limit, which is "+u.say(*v.Lower, f))
	}
	return v
}

// inside refuses an end of a caution that is not stricter than the gate's own: it would never say anything.
func (u unit) inside(o *strict.Object, key string, outer, inner *int64, f form, stricter func(outer, inner int64) bool, side string) {
	if outer != nil && inner != nil && !stricter(*outer, *inner) {
		o.Reject(key, side+" the "+key+" limit itself, which is "+u.say(*outer, f)+": a caution is stricter")
	}
}

// readRange reads two ends of which either may be left out.
func readRange(o *strict.Object, u unit, f form) Range {
	r := Range{Lower: u.optional(o, "lower", f), Upper: u.optional(o, "upper", f)}
	if r.Lower != nil && r.Upper != nil && *r.Lower >= *r.Upper {
		o.Reject("upper", "above lower, which is "+u.say(*r.Lower, f))
	}
	return r
}
