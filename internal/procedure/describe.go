package procedure

import (
	"fmt"
	"strconv"
	"strings"

	"readback/internal/placement"
)

// Describe says in plain words what the procedure holds, a line for each thing, so that whoever wrote it can read it
// against its source.
func (p *Procedure) Describe() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s, for %s.", p.Title, p.Sensor)
	line("From %q, dated %s, version %s.", p.Source.Title, p.Source.Dated, p.Source.Version)
	line("%s:", count(len(p.Gates), "gate"))
	for _, g := range p.Gates {
		line("  %s: %s, before the %s, %s%s%s.", g.Name, g.Grade, g.By, g.Evidence, g.figure(), g.counts())
	}
	for i := range p.SetUps {
		s := &p.SetUps[i]
		line("Set-up %q: target %s, %s of the car, along the %s.", s.Name, s.Target, or(s.setup.Side, placement.Ahead), s.setup.Line)
		for _, at := range s.setup.Positions {
			line("  %s: %s.", at.Name, s.where(at))
		}
		line("  Limits %s: %s.", whose(s.Limits, s.LimitsBy), s.limits())
		if len(s.Steps) > 0 {
			line("  Steps: %s.", steps(s.Steps))
		}
	}
	if p.Drive != nil {
		line("A drive on the road. %s", DriveCaution)
		for _, w := range p.Drive.Windows {
			line("  %s: %s.", w.Name, w.say())
		}
		for _, c := range p.Drive.Conditions {
			line("  %s: %s", c.Name, c.Asks)
		}
	}
	return b.String()
}

// where says where the target stands at a position.
func (s *SetUp) where(at placement.Position) string {
	height := "height " + mm(either(at.HeightMM, s.setup.HeightMM))
	if at.RangeMM != nil {
		return fmt.Sprintf("%s from the sensor in plan, %s degrees counter-clockwise from the line, %s", mm(*at.RangeMM), plain(*at.AzimuthDeg), height)
	}
	side := "on the line"
	if v := *at.LateralMM; v > 0 {
		side = mm(v) + " to vehicle left"
	} else if v < 0 {
		side = mm(-v) + " to vehicle right"
	}
	return fmt.Sprintf("%s from the %s, %s, %s", mm(either(at.DistanceMM, s.setup.DistanceMM)), s.setup.Datum, side, height)
}

// limits lists the tolerances in their fixed order.
func (s *SetUp) limits() string {
	var parts []string
	for _, q := range placement.AllJudged() {
		if l, judged := s.setup.Tolerance[q]; judged {
			name, unit, _ := strings.Cut(string(q), "_")
			parts = append(parts, name+" "+sides(l, ways[q], unit))
		}
	}
	return strings.Join(parts, ", ")
}

// ways are what a positive and a negative deviation are: as package placement counts them.
var ways = map[placement.Judged][2]string{
	placement.DistanceMM: {"too far", "too near"}, placement.RangeMM: {"too far", "too near"}, placement.HeightMM: {"too high", "too low"},
	placement.LateralMM: {"too far to vehicle left", "too far to vehicle right"}, placement.AzimuthDeg: {"too far to vehicle left", "too far to vehicle right"},
	placement.YawDeg: {"too far counter-clockwise from above", "too far clockwise from above"}, placement.RollDeg: {"left end too high", "left end too low"},
	placement.TiltDeg: {"top too far forward", "top too far back"},
}

// sides says limits: ±, or each side for itself.
func sides(l placement.Limits, ways [2]string, unit string) string {
	if t, is := l.PlusMinus(); is {
		return "±" + plain(t) + " " + unit
	}
	var parts []string
	if l.Upper != nil {
		parts = append(parts, side(*l.Upper, ways[0], ways[1], unit))
	}
	if l.Lower != nil {
		parts = append(parts, side(0-*l.Lower, ways[1], ways[0], unit))
	}
	return strings.Join(parts, " and ")
}

// side says that a deviation goes so far one way at the most; below zero: so far the other way at least.
func side(most float64, way, other, unit string) string {
	if most < 0 {
		return "at least " + plain(-most) + " " + unit + " " + other
	}
	return "at most " + plain(most) + " " + unit + " " + way
}

func either(here, all *float64) float64 {
	if here != nil {
		return *here
	}
	return *all
}

func or(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}

func mm(v float64) string { return plain(v) + " mm" }

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func (g Gate) figure() string {
	if g.Value == nil {
		return ""
	}
	v := g.Value
	if v.Lower == nil && v.Upper == nil {
		return ", any figure in " + unitOf(v.Unit).authored
	}
	text := ", " + v.Say(v.Unit)
	if v.Caution != nil {
		text += ", with a caution outside " + v.Caution.Say(v.Unit)
	}
	return text + ", limits " + whose(g.Limits, g.LimitsBy)
}

func (g Gate) counts() string {
	if g.ExpiresMin == 0 {
		return ""
	}
	return fmt.Sprintf(", counts for %d min", g.ExpiresMin)
}

func whose[T fmt.Stringer](limits string, by *T) string {
	if limits == Own && by != nil {
		return "not stated by the source: the organisation's own, set by member " + (*by).String()
	}
	return "stated by the source"
}

func steps(list []Step) string {
	words := make([]string, len(list))
	for i, s := range list {
		words[i] = s.Kind
		if s.Position != "" {
			words[i] += " " + s.Position
		}
	}
	return strings.Join(words, ", ")
}

func (w Window) say() string {
	parts := []string{w.SpeedKMH.in("km/h")}
	for _, r := range []struct {
		Range
		unit string
	}{{w.Minutes, "min"}, {w.DistanceM, "m"}} {
		if r.Lower != nil || r.Upper != nil {
			parts = append(parts, r.in(r.unit))
		}
	}
	if w.Unbroken {
		parts = append(parts, "the minutes without a break")
	}
	return strings.Join(parts, ", ")
}

// in writes a range whose amounts are whole in the unit.
func (r Range) in(unit string) string {
	return r.spoken(func(v int64) string { return strconv.FormatInt(v, 10) + " " + unit })
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}
