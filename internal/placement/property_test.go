package placement_test

import (
	"encoding/json"
	"maps"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/placement"
)

// sameMM is how far two solutions of the same network, computed in another order or frame, may differ: the steps end at
// 1e-9 of a prior of 300 mm, and convergence is quadratic well before that.
const sameMM = 1e-6

// scenes draws cases: the network of a worked one, read from a fixture somewhere near, with noise as stated.
func scenes(cases map[string]placement.Case) *rapid.Generator[placement.Case] {
	numbers := slices.Sorted(maps.Keys(cases))
	return rapid.Custom(func(t *rapid.T) placement.Case {
		c := cases[rapid.SampledFrom(numbers).Draw(t, "case")]
		c.Position = c.Setup.Positions[rapid.IntRange(0, len(c.Setup.Positions)-1).Draw(t, "position")].Name
		var off placement.Offset
		for i := range off {
			reach := 30.0
			if i < 3 {
				reach = 1.0
			}
			off[i] = rapid.Float64Range(-reach, reach).Draw(t, "off")
		}
		c = placement.ReadAt(c, c.Position, off)
		for i, r := range c.Readings {
			v, _ := r.Value()
			in := c.Instruments[r.Instrument]
			u := in.StandardUncertaintyMM + in.StandardUncertaintyDeg // one of them is 0
			c.Readings[i] = r.With(v + u*rapid.Float64Range(-2, 2).Draw(t, "noise"))
		}
		return c
	})
}

func anything(placement.Judged) bool { return true }

func check(t require.TestingT, c placement.Case) placement.Result {
	r, err := placement.Check(c)
	require.NoError(t, err)
	return r
}

// transformed says what a mirror or a half turn of the whole scene does to results: the factor of each judged quantity
// and of each reading, and other words.
type transformed struct {
	judged   map[placement.Judged]float64
	quantity map[placement.Quantity]float64
	words    map[string]string // of the left end in a turn
}

func (f transformed) compare(t require.TestingT, before, after placement.Result, c placement.Case) {
	require.Equal(t, before.Verdict, after.Verdict)
	require.Equal(t, before.Missing, after.Missing)
	for q, e := range before.Deviation {
		factor, changes := f.judged[q]
		if !changes {
			factor = 1
		}
		require.InDelta(t, factor*e, after.Deviation[q], sameMM, q)
		require.InEpsilon(t, before.StandardUncertainty[q], after.StandardUncertainty[q], 1e-6, q)
	}
	for i, a := range before.Readings {
		factor, changes := f.quantity[c.Readings[i].Quantity]
		if !changes {
			factor = 1
		}
		require.InDelta(t, factor*a.StandardisedResidual, after.Readings[i].StandardisedResidual, 1e-5, i)
		require.InDelta(t, a.Redundancy, after.Readings[i].Redundancy, 1e-6, i)
	}
	require.Equal(t, before.ReliesOn, after.ReliesOn)
	require.Len(t, after.Suspects, len(before.Suspects))
	for i, s := range before.Suspects {
		require.Equal(t, s.Reading, after.Suspects[i].Reading)
		require.InDelta(t, math.Abs(s.LikelyError), math.Abs(after.Suspects[i].LikelyError), 1e-4)
	}
	require.Equal(t, f.reword(before.Moves), after.Moves)
	require.Equal(t, f.reword(before.Nudge), after.Nudge)
}

func (f transformed) reword(moves []placement.Move) []placement.Move {
	swap := map[string]string{"left": "right", "right": "left", "up": "down", "down": "up"}
	var all []placement.Move
	if moves != nil {
		all = []placement.Move{}
	}
	for _, m := range moves {
		switch {
		case m.Move == "turn":
			m.LeftEnd = f.words[m.LeftEnd]
		case m.Move == "roll":
			m.LeftEnd = swap[m.LeftEnd]
		case m.To == "left" || m.To == "right":
			m.To = swap[m.To]
		}
		all = append(all, m)
	}
	return all
}

func negated(v *float64) *float64 {
	if v == nil {
		return nil
	}
	n := -*v
	return &n
}

func renamed(readings []placement.Reading, names map[string]string, signs map[placement.Quantity]float64) []placement.Reading {
	all := make([]placement.Reading, len(readings))
	for i, r := range readings {
		if to, changes := names[r.From]; changes {
			r.From = to
		}
		if to, changes := names[r.To]; changes {
			r.To = to
		}
		v, _ := r.Value()
		if sign, changes := signs[r.Quantity]; changes {
			v *= sign
		}
		all[i] = r.With(v)
	}
	return all
}

// whole says that the change of scene carries over to the common parts of instruments: an instrument whose readings
// change sign in part (one level, with one zero, for roll and for tilt) is another instrument in a mirror.
func (f transformed) whole(c placement.Case) bool {
	sign := map[string]float64{}
	for _, r := range slices.Concat(c.Readings, c.Closing) {
		if in := c.Instruments[r.Instrument]; in.CommonMM+in.CommonDeg == 0 {
			continue
		}
		factor, changes := f.quantity[r.Quantity]
		if !changes {
			factor = 1
		}
		if known, seen := sign[r.Instrument]; seen && known != factor {
			return false
		}
		sign[r.Instrument] = factor
	}
	return true
}

// Seen in a mirror, left and right change places and nothing else does.
func TestMirror(t *testing.T) {
	t.Parallel()
	cases := worked(t)
	f := transformed{
		judged: map[placement.Judged]float64{
			placement.LateralMM: -1, placement.YawDeg: -1, placement.RollDeg: -1, placement.AzimuthDeg: -1},
		quantity: map[placement.Quantity]float64{
			placement.CentreOffset: -1, placement.Yaw: -1, placement.Level: -1, placement.Slide: -1},
		words: map[string]string{"towards-car": "away", "away": "towards-car"},
	}
	names := map[string]string{
		placement.FrontLeftHub: placement.FrontRightHub, placement.FrontRightHub: placement.FrontLeftHub,
		placement.RearLeftHub: placement.RearRightHub, placement.RearRightHub: placement.RearLeftHub,
		placement.LeftEnd: placement.RightEnd, placement.RightEnd: placement.LeftEnd,
	}
	rapid.Check(t, func(t *rapid.T) {
		c := scenes(cases).Filter(f.whole).Draw(t, "scene")
		c.Setup.Tolerance = bySide(t, c.Setup.Tolerance, anything)
		m := c
		m.Setup.Tolerance = f.limits(c.Setup.Tolerance)
		toe := placement.RearToe{Left: c.Vehicle.RearToeDeg.Right, Right: c.Vehicle.RearToeDeg.Left}
		m.Vehicle.RearToeDeg = &toe
		if c.Floor != nil {
			w := c.Floor.WheelsMM
			m.Floor = &placement.Floor{FixtureMM: c.Floor.FixtureMM, WheelsMM: placement.Wheels{
				FrontLeft: w.FrontRight, FrontRight: w.FrontLeft, RearLeft: w.RearRight, RearRight: w.RearLeft}}
		}
		at := *c.Setup.SensorAtMM
		at.Y = -at.Y
		m.Setup.SensorAtMM = &at
		m.Setup.Positions = slices.Clone(c.Setup.Positions)
		for i, p := range c.Setup.Positions {
			m.Setup.Positions[i].LateralMM, m.Setup.Positions[i].AzimuthDeg = negated(p.LateralMM), negated(p.AzimuthDeg)
		}
		m.Readings = renamed(c.Readings, names, f.quantity)
		m.Closing = renamed(c.Closing, names, f.quantity)
		before, after := check(t, c), check(t, m)
		f.compare(t, before, after, c)
		require.Equal(t, before.Closing, after.Closing)
		if before.Aim != nil {
			require.InDelta(t, -before.Aim.At100MLeftMM, after.Aim.At100MLeftMM, 1e-3)
			require.InDelta(t, before.Aim.At100MUpMM, after.Aim.At100MUpMM, 1e-3)
		}
	})
}

// A board behind the car is the half turn of one ahead of it. On the centreline the half turn about the middle of the
// wheelbase makes the front of the car its rear.
func TestHalfTurn(t *testing.T) {
	t.Parallel()
	cases := worked(t)
	f := transformed{
		judged: map[placement.Judged]float64{placement.LateralMM: -1, placement.RollDeg: -1, placement.TiltDeg: -1},
		quantity: map[placement.Quantity]float64{
			placement.CentreOffset: -1, placement.Level: -1, placement.Tilt: -1, placement.Slide: -1},
		words: map[string]string{"towards-car": "away", "away": "towards-car"},
	}
	names := map[string]string{
		placement.FrontLeftHub: placement.RearRightHub, placement.RearRightHub: placement.FrontLeftHub,
		placement.FrontRightHub: placement.RearLeftHub, placement.RearLeftHub: placement.FrontRightHub,
		placement.LeftEnd: placement.RightEnd, placement.RightEnd: placement.LeftEnd,
	}
	datums := map[string]string{
		placement.FrontBumper: placement.RearBumper, placement.RearBumper: placement.FrontBumper,
		placement.FrontAxle: placement.RearAxle, placement.RearAxle: placement.FrontAxle, placement.AtSensor: placement.AtSensor,
	}
	for number, c := range cases {
		c.Setup.Line = placement.Centreline
		cases[number] = c
	}
	rapid.Check(t, func(t *rapid.T) {
		c := scenes(cases).Filter(f.whole).Draw(t, "scene")
		c.Setup.Tolerance = bySide(t, c.Setup.Tolerance, anything)
		m := c
		m.Setup.Tolerance = f.limits(c.Setup.Tolerance)
		v := c.Vehicle
		m.Vehicle.FrontTrackMM, m.Vehicle.RearTrackMM = v.RearTrackMM, v.FrontTrackMM
		m.Vehicle.FrontOverhangMM, m.Vehicle.RearOverhangMM = v.RearOverhangMM, v.FrontOverhangMM
		m.Vehicle.HubHeightMM = placement.HubHeight{Front: v.HubHeightMM.Rear, Rear: v.HubHeightMM.Front}
		if c.Floor != nil {
			w := c.Floor.WheelsMM
			m.Floor = &placement.Floor{FixtureMM: c.Floor.FixtureMM, WheelsMM: placement.Wheels{
				FrontLeft: w.RearRight, FrontRight: w.RearLeft, RearLeft: w.FrontRight, RearRight: w.FrontLeft}}
		}
		at := *c.Setup.SensorAtMM
		at.X, at.Y = v.WheelbaseMM-at.X, -at.Y
		m.Setup.SensorAtMM = &at
		m.Setup.Datum = datums[c.Setup.Datum]
		m.Setup.Side = map[string]string{placement.Ahead: placement.Behind, placement.Behind: placement.Ahead}[c.Setup.Side]
		m.Fixture.EndAheadOfTargetMM = -c.Fixture.EndAheadOfTargetMM
		m.Setup.Positions = slices.Clone(c.Setup.Positions)
		for i, p := range c.Setup.Positions {
			m.Setup.Positions[i].LateralMM = negated(p.LateralMM)
			if p.AzimuthDeg != nil {
				az := *p.AzimuthDeg + 180
				m.Setup.Positions[i].AzimuthDeg = &az
			}
		}
		m.Readings = renamed(c.Readings, names, f.quantity)
		m.Closing = renamed(c.Closing, names, f.quantity)
		before, after := check(t, c), check(t, m)
		f.compare(t, before, after, c)
		if before.Aim != nil {
			require.InDelta(t, before.Aim.AzimuthDeg, after.Aim.AzimuthDeg, 1e-8)
			require.InDelta(t, -before.Aim.At100MLeftMM, after.Aim.At100MLeftMM, 1e-3)
		}
	})
}

func TestOrderOfReadingsDoesNotMatter(t *testing.T) {
	t.Parallel()
	cases := worked(t)
	rapid.Check(t, func(t *rapid.T) {
		c := scenes(cases).Draw(t, "scene")
		order := rapid.Permutation(indices(len(c.Readings))).Draw(t, "order")
		m := c
		m.Readings = make([]placement.Reading, len(order))
		for to, from := range order {
			m.Readings[to] = c.Readings[from]
		}
		before, after := check(t, c), check(t, m)
		require.Equal(t, before.Verdict, after.Verdict)
		require.Equal(t, before.Moves, after.Moves)
		for q, e := range before.Deviation {
			require.InDelta(t, e, after.Deviation[q], sameMM)
		}
		for to, from := range order {
			if after.Readings != nil {
				require.InDelta(t, before.Readings[from].StandardisedResidual, after.Readings[to].StandardisedResidual, 1e-5)
			}
		}
		require.Len(t, after.Suspects, len(before.Suspects))
		for _, s := range after.Suspects {
			require.True(t, slices.ContainsFunc(before.Suspects, func(b placement.Suspect) bool { return b.Reading == order[s.Reading] }))
		}
	})
}

func indices(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// Doing the moves brings the fixture within its limits at every position: the pose found, less the moves, read again
// without noise.
func TestMovesReach(t *testing.T) {
	t.Parallel()
	cases := worked(t)
	rapid.Check(t, func(t *rapid.T) {
		c := scenes(cases).Draw(t, "scene")
		// Shifts are the same at every position, turns are not: those keep ±T.
		c.Setup.Tolerance = bySide(t, c.Setup.Tolerance, func(q placement.Judged) bool {
			return q == placement.DistanceMM || q == placement.LateralMM || q == placement.HeightMM
		})
		r := check(t, c)
		moves := r.Moves
		if r.Verdict == placement.Unsure {
			moves = r.Nudge
		}
		if len(moves) == 0 || len(r.TooCoarse) > 0 {
			return
		}
		off := placement.OffsetFound(c)
		side := 1.0
		if c.Setup.Side == placement.Behind {
			side = -1
		}
		for _, m := range moves {
			apply(&off, m, side)
		}
		for _, p := range c.Setup.Positions {
			moved := check(t, placement.ReadAt(c, p.Name, off))
			for q, probability := range moved.ConformanceProbability {
				// 0.95, less what the priors pull the estimate by when it is read again.
				require.GreaterOrEqual(t, probability, 0.9499, "%s at %s after %+v", q, p.Name, moves)
			}
			require.Contains(t, []placement.Verdict{placement.Within, placement.Unsure}, moved.Verdict)
		}
	})
}

// apply does a move as a person would, by its words alone. Yaw counter-clockwise takes the left end back, roll takes
// it up, tilt takes the top forward; towards the car is back ahead of it and forward behind it.
func apply(off *placement.Offset, m placement.Move, side float64) {
	amount := func(to, positive string) float64 {
		v := 0.0
		if m.Deg != nil {
			v = *m.Deg
		} else {
			v = *m.MM
		}
		if to == positive {
			return v
		}
		return -v
	}
	switch {
	case m.Move == "turn":
		off[0] += side * amount(m.LeftEnd, "towards-car")
	case m.Move == "roll":
		off[1] += amount(m.LeftEnd, "up")
	case m.Move == "tilt":
		off[2] += side * amount(m.Top, "away")
	case m.Move == "slide":
		off[6] += amount(m.To, "left")
	case m.To == "left" || m.To == "right":
		off[4] += amount(m.To, "left")
	case m.To == "up" || m.To == "down":
		off[5] += amount(m.To, "up")
	default:
		off[3] += side * amount(m.To, "away")
	}
}

// The plan's expected values, read back in, are a fixture exactly where it should be, at every position.
func TestExpectedValuesFedBack(t *testing.T) {
	t.Parallel()
	for number, c := range worked(t) {
		plan, err := placement.Plan(c)
		require.NoError(t, err)
		require.Len(t, plan.Positions, len(c.Setup.Positions))
		for _, p := range plan.Positions {
			again := c
			again.Position, again.Closing = p.Name, nil
			again.Readings = make([]placement.Reading, len(c.Readings))
			for i, r := range c.Readings {
				v := p.Readings[i].ExpectedMM
				if v == nil {
					v = p.Readings[i].ExpectedDeg
				}
				again.Readings[i] = r.With(*v)
			}
			r := check(t, again)
			if r.Verdict == placement.Undetermined {
				require.Equal(t, p.Missing, r.Missing, number)
				continue
			}
			require.Empty(t, p.Missing)
			require.Equal(t, p.TooCoarse, r.TooCoarse, number)
			require.Equal(t, len(c.Readings) >= 3, r.Copied)
			require.InDelta(t, 0, *r.ChiSquare, 1e-12)
			for q, e := range r.Deviation {
				require.InDelta(t, 0, e, 1e-9, "%s %s", number, q)
				require.InEpsilon(t, p.StandardUncertainty[q], r.StandardUncertainty[q], 1e-9)
				limit, _ := c.Setup.Tolerance[q].PlusMinus()
				require.InEpsilon(t, limit, p.StandardUncertainty[q]*p.ToleranceOverUncertainty[q], 1e-12)
			}
			for i, a := range r.Readings {
				require.InDelta(t, a.Redundancy, p.Readings[i].Redundancy, 1e-9)
			}
		}
	}
}

func TestSameBytesEveryTime(t *testing.T) {
	t.Parallel()
	for number, c := range worked(t) {
		first, err := json.Marshal(check(t, c))
		require.NoError(t, err)
		for range 5 {
			again, err := json.Marshal(check(t, c))
			require.NoError(t, err)
			require.Equal(t, string(first), string(again), number)
		}
		var back placement.Result
		require.NoError(t, json.Unmarshal(first, &back))
		again, err := json.Marshal(back)
		require.NoError(t, err)
		require.Equal(t, string(first), string(again), number)
	}
}
