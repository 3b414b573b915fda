package calibration

import (
	"math"
	"strings"

	"readback/internal/placement"
)

// The verdicts, as package placement gives them.
const (
	VerdictWithin       = string(placement.Within)
	VerdictAdjust       = string(placement.Adjust)
	VerdictUnsure       = string(placement.Unsure)
	VerdictRemeasure    = string(placement.Remeasure)
	VerdictUndetermined = string(placement.Undetermined)
)

// Verdict is a placement result as entries carry it: integers only, each number rounded to the nearest unit. Reading
// numbers count from 0 in the list of what stands. Quantities are named without their unit: distance, lateral, height,
// yaw, roll, tilt, range, azimuth.
type Verdict struct {
	Verdict          string         `json:"verdict"`
	Judged           []Judged       `json:"judged,omitempty"`
	Readings         []Appraisal    `json:"readings,omitempty"`
	Suspects         []Suspect      `json:"suspects,omitempty"`
	Shared           *string        `json:"shared,omitempty"` // the instrument whose readings are wrong together; "" if none stands out
	ReliesOn         []Rests        `json:"relies_on,omitempty"`
	ChiSquarePPM     *int64         `json:"chi_square_ppm,omitempty"`
	DegreesOfFreedom *int           `json:"degrees_of_freedom,omitempty"`
	Moves            []Move         `json:"moves,omitempty"`
	Nudge            []Move         `json:"nudge,omitempty"`
	Next             *placement.Ask `json:"next,omitempty"`
	TooCoarse        []string       `json:"too_coarse,omitempty"`
	Copied           bool           `json:"copied,omitempty"` // every reading is exactly nominal: were they measured?
	Aim              *Aim           `json:"aim,omitempty"`
	Missing          []string       `json:"missing,omitempty"`
	WouldFind        []Finding      `json:"would_find,omitempty"`
	Pose             *Pose          `json:"pose,omitempty"`
}

// Judged is one quantity with limits: how far it is off, how well that is known, and how likely it is within them. They are
// ±the tolerance, or lower and upper as deviations, of which one may be missing. Each is in micrometres or in microdegrees.
type Judged struct {
	Quantity                string `json:"quantity"`
	DeviationUM             *int64 `json:"deviation_um,omitempty"`
	DeviationUdeg           *int64 `json:"deviation_udeg,omitempty"`
	StandardUncertaintyUM   *int64 `json:"standard_uncertainty_um,omitempty"`
	StandardUncertaintyUdeg *int64 `json:"standard_uncertainty_udeg,omitempty"`
	ToleranceUM             *int64 `json:"tolerance_um,omitempty"`
	ToleranceUdeg           *int64 `json:"tolerance_udeg,omitempty"`
	LowerUM                 *int64 `json:"lower_um,omitempty"`
	LowerUdeg               *int64 `json:"lower_udeg,omitempty"`
	UpperUM                 *int64 `json:"upper_um,omitempty"`
	UpperUdeg               *int64 `json:"upper_udeg,omitempty"`
	ConformancePPM          int64  `json:"conformance_ppm"`
}

// Appraisal says how a reading fits and how well the others check it. Without a smallest error nothing checks it.
type Appraisal struct {
	StandardisedResidualPPM int64  `json:"standardised_residual_ppm"`
	RedundancyPPM           int64  `json:"redundancy_ppm"`
	SmallestErrorUM         *int64 `json:"smallest_error_um,omitempty"`
	SmallestErrorUdeg       *int64 `json:"smallest_error_udeg,omitempty"`
}

// Suspect is a reading that is likely wrong, and by how much it seems too large.
type Suspect struct {
	Reading         int    `json:"reading"`
	LikelyErrorUM   *int64 `json:"likely_error_um,omitempty"`
	LikelyErrorUdeg *int64 `json:"likely_error_udeg,omitempty"`
}

// Rests is a judged quantity that rests on one reading which nothing else checks.
type Rests struct {
	Reading  int    `json:"reading"`
	Quantity string `json:"quantity"`
}

// Move is one thing to do to the fixture. ByUM or ByUdeg is how far; EndUM is how far the end of a board goes then.
type Move struct {
	Move    string `json:"move"`
	LeftEnd string `json:"left_end,omitempty"`
	Top     string `json:"top,omitempty"`
	To      string `json:"to,omitempty"`
	ByUM    *int64 `json:"by_um,omitempty"`
	ByUdeg  *int64 `json:"by_udeg,omitempty"`
	EndUM   *int64 `json:"end_um,omitempty"`
}

// way is how far the fixture goes, its end where it turns, and where to; false for a tilt, which has no such way.
func (m Move) way() (um int64, to string, ok bool) {
	switch {
	case m.EndUM != nil && m.LeftEnd != "":
		return *m.EndUM, m.LeftEnd, true
	case m.ByUM != nil && m.To != "":
		return *m.ByUM, m.To, true
	}
	return 0, "", false
}

// large is the first move that is too large for a nudge; false where there is none.
func (v *Verdict) large() (Move, bool) {
	if v == nil {
		return Move{}, false
	}
	for _, m := range v.Moves {
		if um, _, ok := m.way(); ok && um > NudgeUM {
			return m, true
		}
	}
	return Move{}, false
}

// instruction is the move as a step: one quantity, counted from where the fixture stands.
func (m Move) instruction() Instruction {
	um, to, _ := m.way()
	return Instruction{Kind: MoveFixture, Move: m.Move, ValueUM: &um, Side: to, Datum: Here}
}

// Aim bounds what the placement does to the sensor's aim.
type Aim struct {
	AzimuthUdeg   int64 `json:"azimuth_udeg"`
	ElevationUdeg int64 `json:"elevation_udeg"`
	At100MLeftUM  int64 `json:"at_100_m_left_um"`
	At100MUpUM    int64 `json:"at_100_m_up_um"`
}

// Finding is what would find a missing quantity: any one entry of AnyOf.
type Finding struct {
	For   string            `json:"for"`
	AnyOf [][]placement.Ask `json:"any_of"`
}

// Pose is where the fixture was found, in the vehicle frame, for a drawing.
type Pose struct {
	Origin   PointUM `json:"origin_um"`
	Target   PointUM `json:"target_um"`
	LeftEnd  PointUM `json:"left_end_um"`
	RightEnd PointUM `json:"right_end_um"`
	YawUdeg  int64   `json:"yaw_udeg"`
	RollUdeg int64   `json:"roll_udeg"`
	TiltUdeg int64   `json:"tilt_udeg"`
	SlideUM  int64   `json:"slide_um"`
}

// PointUM is a point in micrometres.
type PointUM struct {
	X int64 `json:"x"`
	Y int64 `json:"y"`
	Z int64 `json:"z"`
}

// largest is the largest integer that every JSON reader keeps exactly (2⁵³ − 1).
const largest = 1<<53 - 1

// whole rounds v·scale to the nearest integer, halves away from zero, and keeps it within what JSON readers hold.
func whole(v, scale float64) int64 {
	n := math.Round(v * scale)
	switch {
	case math.IsNaN(n):
		return 0
	case n > largest:
		return largest
	case n < -largest:
		return -largest
	}
	return int64(n)
}

func um(mm float64) int64    { return whole(mm, 1e3) }
func udeg(deg float64) int64 { return whole(deg, 1e6) }
func ppm(v float64) int64    { return whole(v, 1e6) }

// amount gives a value of the unit in the one of two fields that fits.
func amount(v float64, unit placement.Unit) (inUM, inUdeg *int64) {
	if unit == placement.Deg {
		n := udeg(v)
		return nil, &n
	}
	n := um(v)
	return &n, nil
}

func optional(v *float64, unit placement.Unit) (inUM, inUdeg *int64) {
	if v == nil {
		return nil, nil
	}
	return amount(*v, unit)
}

// order is the order in which judged quantities are listed.
var order = []placement.Judged{
	placement.DistanceMM, placement.LateralMM, placement.HeightMM, placement.YawDeg, placement.RollDeg, placement.TiltDeg,
	placement.RangeMM, placement.AzimuthDeg,
}

// plain is a judged quantity's name without its unit.
func plain(q placement.Judged) string {
	return strings.TrimSuffix(strings.TrimSuffix(string(q), "_mm"), "_deg")
}

func plainAll(list []placement.Judged) []string {
	var names []string
	for _, q := range list {
		names = append(names, plain(q))
	}
	return names
}

// verdictOf converts what the check of a case gave.
func verdictOf(c placement.Case, r placement.Result) Verdict {
	v := Verdict{
		Verdict: string(r.Verdict), DegreesOfFreedom: r.DegreesOfFreedom, Next: r.Next, Copied: r.Copied,
		TooCoarse: plainAll(r.TooCoarse), Missing: plainAll(r.Missing), Moves: movesOf(r.Moves), Nudge: movesOf(r.Nudge),
	}
	for _, q := range order {
		deviation, ok := r.Deviation[q]
		if !ok {
			continue
		}
		j := Judged{Quantity: plain(q), ConformancePPM: ppm(r.ConformanceProbability[q])}
		j.DeviationUM, j.DeviationUdeg = amount(deviation, q.Unit())
		j.StandardUncertaintyUM, j.StandardUncertaintyUdeg = amount(r.StandardUncertainty[q], q.Unit())
		limits := c.Setup.Tolerance[q]
		if t, is := limits.PlusMinus(); is {
			j.ToleranceUM, j.ToleranceUdeg = amount(t, q.Unit())
		} else {
			j.LowerUM, j.LowerUdeg = optional(limits.Lower, q.Unit())
			j.UpperUM, j.UpperUdeg = optional(limits.Upper, q.Unit())
		}
		v.Judged = append(v.Judged, j)
	}
	for i, a := range r.Readings {
		out := Appraisal{StandardisedResidualPPM: ppm(a.StandardisedResidual), RedundancyPPM: ppm(a.Redundancy)}
		out.SmallestErrorUM, out.SmallestErrorUdeg = optional(a.SmallestErrorSeen, c.Readings[i].Quantity.Unit())
		v.Readings = append(v.Readings, out)
	}
	for _, s := range r.Suspects {
		out := Suspect{Reading: s.Reading}
		out.LikelyErrorUM, out.LikelyErrorUdeg = amount(s.LikelyError, c.Readings[s.Reading].Quantity.Unit())
		v.Suspects = append(v.Suspects, out)
	}
	for _, on := range r.ReliesOn {
		v.ReliesOn = append(v.ReliesOn, Rests{Reading: on.Reading, Quantity: plain(on.Quantity)})
	}
	for _, f := range r.WouldFind {
		found := Finding{For: plain(f.For), AnyOf: f.AnyOf}
		if found.AnyOf == nil {
			found.AnyOf = [][]placement.Ask{}
		}
		v.WouldFind = append(v.WouldFind, found)
	}
	if r.Shared != nil {
		v.Shared = &r.Shared.Instrument
	}
	if r.ChiSquare != nil {
		n := ppm(*r.ChiSquare)
		v.ChiSquarePPM = &n
	}
	if a := r.Aim; a != nil {
		v.Aim = &Aim{udeg(a.AzimuthDeg), udeg(a.ElevationDeg), um(a.At100MLeftMM), um(a.At100MUpMM)}
	}
	v.Pose = poseOf(r.Pose)
	return v
}

func movesOf(moves []placement.Move) []Move {
	var out []Move
	for _, m := range moves {
		to := Move{Move: m.Move, LeftEnd: m.LeftEnd, Top: m.Top, To: m.To}
		to.ByUM, _ = optional(m.MM, placement.MM)
		_, to.ByUdeg = optional(m.Deg, placement.Deg)
		to.EndUM, _ = optional(m.EndMM, placement.MM)
		out = append(out, to)
	}
	return out
}

func poseOf(p *placement.Pose) *Pose {
	if p == nil {
		return nil
	}
	return &Pose{
		Origin: PointUM{um(p.Origin.X), um(p.Origin.Y), um(p.Origin.Z)}, Target: PointUM{um(p.Target.X), um(p.Target.Y), um(p.Target.Z)},
		LeftEnd: PointUM{um(p.LeftEnd.X), um(p.LeftEnd.Y), um(p.LeftEnd.Z)}, RightEnd: PointUM{um(p.RightEnd.X), um(p.RightEnd.Y), um(p.RightEnd.Z)},
		YawUdeg: udeg(p.YawDeg), RollUdeg: udeg(p.RollDeg), TiltUdeg: udeg(p.TiltDeg), SlideUM: um(p.SlideMM),
	}
}
