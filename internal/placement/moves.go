package placement

import (
	"cmp"
	"math"
	"slices"

	"readback/internal/geom"
)

// Move is one thing to do to the fixture, in the technician's terms. Amounts are rounded to 1 mm and 0.05°.
type Move struct {
	Move    string   `json:"move"`               // turn, roll, tilt, shift or slide
	LeftEnd string   `json:"left_end,omitempty"` // where the left end goes: of a turn towards-car or away, of a roll up or down
	Top     string   `json:"top,omitempty"`      // of a tilt, where the top goes
	To      string   `json:"to,omitempty"`       // of a shift or slide
	Deg     *float64 `json:"deg,omitempty"`
	EndMM   *float64 `json:"end_mm,omitempty"` // how far the end goes
	MM      *float64 `json:"mm,omitempty"`
}

// The directions of moves, left and right as seated facing forward.
const (
	TowardsCar = "towards-car"
	Away       = "away"
	ToLeft     = "left"
	ToRight    = "right"
	ToUp       = "up"
	ToDown     = "down"
)

// offset is how far a fixture is from where it should stand: its origin along the reference line, across it and up,
// its angles, its slide. Every entry is mended by one move.
type offset [unknowns]float64

// The order of doing, and of an offset's entries: turns about the origin first, so that shifts need not make up for
// them.
const (
	turning = iota
	rolling
	tilting
	shiftingAlong
	shiftingAcross
	shiftingUp
	sliding
)

func (s *scene) offset(p pose) offset {
	off := p.origin().Sub(s.nominal.origin())
	return offset{p[yaw], p[roll], p[tilt], s.along.Dot(off), s.across.Dot(off), off.Z, p[slide] - s.nominal[slide]}
}

// displaced is the reverse: the nominal pose with an offset.
func (s *scene) displaced(o offset) pose {
	at := s.nominal.origin().
		Add(s.along.Times(o[shiftingAlong])).Add(s.across.Times(o[shiftingAcross])).Add(up.Times(o[shiftingUp]))
	return pose{at.X, at.Y, at.Z, o[turning], o[rolling], o[tilting], s.nominal[slide] + o[sliding]}
}

// step is the precision of each move: people can set a mm and 0.05°.
var step = offset{0.05, 0.05, 0.05, 1, 1, 1, 1}

// counts is the judged quantity whose limit each move is weighed by.
var counts = [unknowns]Judged{YawDeg, RollDeg, TiltDeg, DistanceMM, LateralMM, HeightMM, LateralMM}

// moves gives the fewest moves that bring the fixture within its limits at every position of the setup, and whether
// they do. Starting with the least, each is left out that is not needed; where no moves reach, all are given.
func (c *Case) moves(w *workbench, a *assessment) ([]Move, bool) {
	off, everywhere := a.scene.offset(a.pose(a.X)), c.everywhere(a)
	best := everywhere.best(w)
	do := off.less(best).rounded() // what the moves take off
	if len(a.coarse()) > 0 {
		return a.scene.worded(do), false
	}
	conforms := func(do offset) bool { return everywhere.conform(w, off.less(do)) }
	reach := conforms(do)
	if nominal := off.rounded(); !reach && conforms(nominal) {
		best, do, reach = offset{}, nominal, true
	}
	if reach {
		for _, i := range a.scene.leastFirst(off.less(best)) {
			less := do
			less[i] = 0
			if do[i] != 0 && conforms(less) {
				do = less
			}
		}
	}
	return a.scene.worded(do), reach
}

func (o offset) less(by offset) offset {
	for i := range o {
		o[i] -= by[i]
	}
	return o
}

// rounded is the offset in amounts that people can set.
func (o offset) rounded() offset {
	for i := range o {
		o[i] = rounded(o[i], step[i])
	}
	return o
}

// best is the offset that moves aim at: where each judged quantity is best at the position checked. With limits that are
// ±T it is none. A guard is as wide as the position with the largest uncertainty asks for.
func (all everywhere) best(w *workbench) offset {
	s := all[0].scene
	u := make([]float64, len(s.limits))
	if slices.ContainsFunc(s.limits, limit.oneSided) {
		for _, n := range all {
			for i, j := range w.try(n, n.scene.nominal) {
				u[i] = max(u[i], j.u)
			}
		}
	}
	var to offset
	var judged [unknowns]bool
	for i, l := range s.limits {
		for k, of := range counts {
			if of == l.of && k != sliding {
				to[k], judged[k] = l.best(u[i], step[k]), true
			}
		}
	}
	to[shiftingAlong] *= s.side
	if s.sensor == nil {
		return to
	}
	// Range and azimuth are mended by the same shifts, if nothing else says how far.
	sight := s.target.Sub(*s.sensor).Plan()
	var shift geom.Vec
	for i, l := range s.limits {
		switch r := max(sight.Length(), 1); l.of {
		case RangeMM:
			shift = shift.Add(sight.Times(l.best(u[i], step[shiftingAlong]) / r))
		case AzimuthDeg:
			shift = shift.Add(geom.Vec{X: -sight.Y, Y: sight.X}.Times(l.best(u[i], step[shiftingAcross]/(r*geom.Radian)) * geom.Radian))
		}
	}
	if !judged[shiftingAlong] {
		to[shiftingAlong] = s.along.Dot(shift)
	}
	if !judged[shiftingAcross] {
		to[shiftingAcross] = s.across.Dot(shift)
	}
	return to
}

// rounded avoids sums like 0.30000000000000004 by dividing last.
func rounded(v, step float64) float64 {
	if step < 1 {
		return math.Round(v/step) / math.Round(1/step)
	}
	return math.Round(v/step) * step
}

// leastFirst orders the moves by what they take off relative to the limit. One that is not judged counts nothing.
func (s *scene) leastFirst(off offset) [unknowns]int {
	var size [unknowns]float64
	var by [unknowns]int
	for i := range off {
		by[i] = i
		for _, l := range s.limits {
			if l.of == counts[i] {
				size[i] = math.Abs(off[i]) / l.t
			}
		}
	}
	slices.SortStableFunc(by[:], func(i, k int) int { return cmp.Compare(size[i], size[k]) })
	return by
}

// everywhere is the case's readings at every position of its setup, the one checked first.
type everywhere []*network

func (c *Case) everywhere(a *assessment) everywhere {
	all := everywhere{a.network}
	for _, p := range c.Setup.Positions {
		if p.Name == c.Position {
			continue
		}
		if s, err := c.sceneAt(p.Name); err == nil { // the name is the setup's own
			all = append(all, c.network(s, c.Readings, nobody))
		}
	}
	return all
}

// conform says whether a fixture with the same offset at every position would be within its limits at each, as far as
// readings with these uncertainties and no noise could tell.
func (all everywhere) conform(w *workbench, off offset) bool {
	for _, n := range all {
		if !conform(w.try(n, n.scene.displaced(off))) {
			return false
		}
	}
	return true
}

// worded puts what is to be taken off into moves, in the order of doing.
func (s *scene) worded(do offset) []Move {
	all := []Move{}
	// With positive yaw the left end is too far back, which is nearer the car only ahead of it; with positive tilt the
	// top is too far forward, which is nearer the car only behind it.
	forwardIs, backIs := Away, TowardsCar
	if s.side < 0 {
		forwardIs, backIs = TowardsCar, Away
	}
	word := func(i int, positive, negative string) (string, float64) {
		if do[i] > 0 {
			return positive, do[i]
		}
		return negative, -do[i]
	}
	for i, amount := range do {
		if amount == 0 {
			continue
		}
		switch i {
		case turning:
			to, deg := word(i, forwardIs, backIs)
			all = append(all, Move{Move: "turn", LeftEnd: to, Deg: &deg, EndMM: s.endMM(deg)})
		case rolling:
			to, deg := word(i, ToDown, ToUp)
			all = append(all, Move{Move: "roll", LeftEnd: to, Deg: &deg, EndMM: s.endMM(deg)})
		case tilting:
			to, deg := word(i, backIs, forwardIs)
			all = append(all, Move{Move: "tilt", Top: to, Deg: &deg})
		case shiftingAlong:
			to, mm := word(i, backIs, forwardIs)
			all = append(all, Move{Move: "shift", To: to, MM: &mm})
		case shiftingAcross:
			to, mm := word(i, ToRight, ToLeft)
			all = append(all, Move{Move: "shift", To: to, MM: &mm})
		case shiftingUp:
			to, mm := word(i, ToDown, ToUp)
			all = append(all, Move{Move: "shift", To: to, MM: &mm})
		case sliding:
			to, mm := word(i, ToRight, ToLeft)
			all = append(all, Move{Move: "slide", To: to, MM: &mm})
		}
	}
	return all
}

func (s *scene) endMM(deg float64) *float64 {
	mm := math.Round(s.fixture.HalfWidthMM * math.Tan(deg*geom.Radian))
	return &mm
}
