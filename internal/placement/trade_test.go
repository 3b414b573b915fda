package placement_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

// boardCase is a setup of the trade's usual kind with invented dimensions: a board 1.6 m wide, 3 m ahead of the front
// axle of a car with tracks of 1.56 and 1.572 m, measured at hub height.
const boardCase = `{
  "vehicle": {"wheelbase_mm": 2680, "front_track_mm": 1560, "rear_track_mm": 1572, "front_overhang_mm": 890,
              "rear_overhang_mm": 760, "hub_height_mm": {"front": 325, "rear": 325}, "rear_toe_deg": {"left": 0.20, "right": -0.10}},
  "setup": {"sensor": "front-camera", "datum": "front-axle", "line": "centreline", "distance_mm": 3000, "height_mm": 325,
            "datum_height_mm": 325, "positions": [{"name": "centre", "lateral_mm": 0}],
            "tolerance": {"distance_mm": 5, "lateral_mm": 5, "yaw_deg": 0.3}},
  "fixture": {"kind": "board", "half_width_mm": 800},
  "instruments": {"tape": {"kind": "steel tape", "standard_uncertainty_mm": 2},
                  "level": {"kind": "digital level", "standard_uncertainty_deg": 0.05}},
  "position": "centre",
  "readings": [
    {"quantity": "span", "from": "front-left-hub", "to": "left-end", "instrument": "tape"},
    {"quantity": "span", "from": "front-right-hub", "to": "right-end", "instrument": "tape"},
    {"quantity": "span", "from": "front-left-hub", "to": "right-end", "instrument": "tape"},
    {"quantity": "span", "from": "front-right-hub", "to": "left-end", "instrument": "tape"},
    {"quantity": "span", "from": "rear-left-hub", "to": "right-end", "instrument": "tape"},
    {"quantity": "span", "from": "rear-right-hub", "to": "left-end", "instrument": "tape"},
    {"quantity": "height", "instrument": "tape"},
    {"quantity": "level", "instrument": "level"}]}`

func decoded(t testing.TB, raw string) placement.Case {
	t.Helper()
	c, err := placement.DecodeCase([]byte(raw))
	require.NoError(t, err)
	return c
}

func values(c placement.Case) []float64 {
	all := make([]float64, len(c.Readings))
	for i, r := range c.Readings {
		all[i], _ = r.Value()
	}
	return all
}

// Distances between hubs and board ends in five placements, computed for this project outside the program and rounded
// to 0.1 mm.
func TestDistancesOfKnownPlacements(t *testing.T) {
	t.Parallel()
	c := decoded(t, boardCase)
	for _, row := range []struct {
		name   string
		off    placement.Offset
		spans  [6]float64
		differ float64 // of the diagonals from the front hubs
	}{
		{"nominal", placement.Offset{}, [6]float64{3000.1, 3000.1, 3390.6, 3390.6, 5897.3, 5897.3}, 0},
		{"14 mm left", placement.Offset{4: 14}, [6]float64{3000.2, 3000.0, 3384.1, 3397.2, 5893.5, 5901.1}, 13.0},
		{"turned 0.40°", placement.Offset{0: 0.4}, [6]float64{2994.5, 3005.7, 3395.6, 3385.7, 5902.6, 5891.9}, 9.9},
		{"both", placement.Offset{0: 0.4, 4: 14}, [6]float64{2994.6, 3005.6, 3389.1, 3392.2, 5898.9, 5895.7}, 3.1},
		{"45 mm too far", placement.Offset{3: 45}, [6]float64{3045.1, 3045.1, 3430.5, 3430.5, 5940.6, 5940.6}, 0},
	} {
		got := values(placement.ReadAt(c, "centre", row.off))
		for i, want := range row.spans {
			require.InDelta(t, want, got[i], 0.0501, "%s, span %d", row.name, i)
		}
		require.InDelta(t, row.differ, math.Abs(got[2]-got[3]), 0.1, row.name)
	}
}

// Equal diagonals prove nothing: a board 10.6 mm off and turned 0.40° has them. The check sees both errors.
func TestEqualDiagonalsProveNothing(t *testing.T) {
	t.Parallel()
	c := placement.ReadAt(decoded(t, boardCase), "centre", placement.Offset{0: 0.40, 4: 10.6})
	v := values(c)
	require.InDelta(t, v[2], v[3], 0.05)
	r := check(t, c)
	require.Equal(t, placement.Adjust, r.Verdict)
	require.InDelta(t, 10.6, r.Deviation[placement.LateralMM], 0.01)
	require.InDelta(t, 0.40, r.Deviation[placement.YawDeg], 0.001)
	require.Len(t, r.Moves, 2)
	require.Equal(t, "turn", r.Moves[0].Move)
	require.Equal(t, placement.Away, r.Moves[0].LeftEnd, "its left end stands too near the car")
	require.Equal(t, 0.4, *r.Moves[0].Deg)
	require.Equal(t, 6.0, *r.Moves[0].EndMM, "800 mm · tan 0.4°")
	require.Equal(t, placement.Move{Move: "shift", To: placement.ToRight, MM: r.Moves[1].MM}, r.Moves[1])
	require.Equal(t, 11.0, *r.Moves[1].MM)

	// The same two diagonals alone do not even find the board.
	c.Readings = c.Readings[2:4]
	r = check(t, c)
	require.Equal(t, placement.Undetermined, r.Verdict)
	require.NotEmpty(t, r.WouldFind)
}

// How well distances find a board 2.5 m ahead of hubs 1.6 m apart, 2 mm each: common practice, computed for this project outside the
// program for tracks of 1.5 to 1.6 m and rounded as written, so one unit of the last digit is allowed. Four from the front hubs leave one to spare; eight locate a blunder.
func TestWhatDistancesFind(t *testing.T) {
	t.Parallel()
	c := decoded(t, boardCase)
	d := 2500.0
	c.Setup.DistanceMM = &d
	c.Vehicle.FrontTrackMM, c.Vehicle.RearTrackMM = 1600, 1600
	span := func(from, to string) placement.Reading {
		return placement.Reading{Quantity: placement.PlanSpan, From: from, To: to, Instrument: "tape"}
	}
	front := []placement.Reading{
		span("front-left-hub", "left-end"), span("front-right-hub", "right-end"),
		span("front-left-hub", "right-end"), span("front-right-hub", "left-end")}
	rear := []placement.Reading{
		span("rear-left-hub", "left-end"), span("rear-right-hub", "right-end"),
		span("rear-left-hub", "right-end"), span("rear-right-hub", "left-end")}
	for _, row := range []struct {
		name                  string
		readings              []placement.Reading
		width                 float64
		alongLow, alongHigh   float64
		acrossLow, acrossHigh float64
		yaw                   float64
	}{
		{"two straight, one cross", front[:3], 1000, 1.35, 1.45, 4.65, 5.05, 0.14},
		{"two straight, one cross", front[:3], 2000, 1.35, 1.45, 4.65, 5.05, 0.09},
		{"four from the front", front, 1000, 1.05, 1.15, 3.25, 3.55, 0.14},
		{"four from the front", front, 2000, 1.05, 1.15, 3.25, 3.55, 0.09},
		{"eight", append(append([]placement.Reading{}, front...), rear...), 1000, 0.65, 0.85, 2.9, 3.1, 0.09},
		{"eight", append(append([]placement.Reading{}, front...), rear...), 2000, 0.65, 0.85, 2.9, 3.1, 0.06},
	} {
		c.Readings = row.readings
		c.Fixture.HalfWidthMM = row.width / 2
		plan, err := placement.Plan(c)
		require.NoError(t, err)
		u := plan.Positions[0].StandardUncertainty
		name := fmt.Sprintf("%s, %v mm", row.name, row.width)
		require.GreaterOrEqual(t, u[placement.DistanceMM], row.alongLow, name)
		require.LessOrEqual(t, u[placement.DistanceMM], row.alongHigh, name)
		require.GreaterOrEqual(t, u[placement.LateralMM], row.acrossLow, name)
		require.LessOrEqual(t, u[placement.LateralMM], row.acrossHigh, name)
		require.InDelta(t, row.yaw, u[placement.YawDeg], 0.005, name)
	}
}

// Common practice, no source: a target 1102 mm from the centre of the front bumper by laser, 1350 mm up, in three
// places: the centre; 550 mm to the left of it; 550 mm to the right of it, which is 1100 mm from where the target then
// stands.
func TestThreePlaces(t *testing.T) {
	t.Parallel()
	c := decoded(t, `{
	  "vehicle": {"wheelbase_mm": 2680, "front_track_mm": 1560, "rear_track_mm": 1572, "front_overhang_mm": 890,
	              "rear_overhang_mm": 760, "hub_height_mm": {"front": 325, "rear": 325}, "rear_toe_deg": {"left": 0.12, "right": 0.06}},
	  "setup": {"sensor": "front-camera", "datum": "front-bumper", "datum_height_mm": 500, "line": "thrust-line",
	            "distance_mm": 1102, "height_mm": 1350, "tolerance": {"distance_mm": 5, "lateral_mm": 5, "height_mm": 5},
	            "positions": [{"name": "1", "lateral_mm": 0}, {"name": "2", "lateral_mm": 550}, {"name": "3", "lateral_mm": -550}]},
	  "fixture": {"kind": "board", "half_width_mm": 900},
	  "instruments": {"laser": {"kind": "laser distance meter", "standard_uncertainty_mm": 1},
	                  "rule": {"kind": "height rule", "standard_uncertainty_mm": 0.7}},
	  "readings": [{"quantity": "datum-distance", "instrument": "laser"}, {"quantity": "height", "instrument": "rule"},
	               {"quantity": "slide", "instrument": "rule"}]}`)
	plan, err := placement.Plan(c)
	require.NoError(t, err)
	require.Len(t, plan.Positions, 3)
	left, right := placement.Carry{To: "left", MM: 550}, placement.Carry{To: "right", MM: 550}
	require.Equal(t, placement.Carry{To: placement.Stay}, plan.Positions[0].FromCentre)
	require.Nil(t, plan.Positions[0].FromHere, "nothing stands anywhere before the first")
	require.Equal(t, left, plan.Positions[1].FromCentre)
	require.Equal(t, &left, plan.Positions[1].FromHere)
	require.Equal(t, right, plan.Positions[2].FromCentre)
	require.Equal(t, &placement.Carry{To: "right", MM: 1100}, plan.Positions[2].FromHere)
	for i, p := range plan.Positions {
		require.InDelta(t, 1102, *p.Readings[0].ExpectedMM, 1e-9, "the board stays on the line, at one distance")
		require.InDelta(t, 1350, *p.Readings[1].ExpectedMM, 1e-9)
		require.InDelta(t, []float64{0, 550, -550}[i], *p.Readings[2].ExpectedMM, 1e-9)
	}
	at, err := c.Nominal("3")
	require.NoError(t, err)
	require.InDelta(t, 1102, at.DistanceMM, 1e-9)
	require.InDelta(t, -550, at.LateralMM, 1e-9)
	require.Equal(t, 1350.0, at.HeightMM)
}

// Places given by range and azimuth, and a height of their own: common practice for corner sensors. At 2.5 m and 45°
// both coordinates are 1768 mm.
func TestRangeAndAzimuth(t *testing.T) {
	t.Parallel()
	c := decoded(t, `{
	  "vehicle": {"wheelbase_mm": 2680, "front_track_mm": 1560, "rear_track_mm": 1572, "front_overhang_mm": 890,
	              "rear_overhang_mm": 760, "hub_height_mm": {"front": 325, "rear": 325}},
	  "setup": {"sensor": "corner-radar", "side": "behind", "datum": "sensor", "line": "centreline", "height_mm": 500,
	            "sensor_at_mm": {"x": -600, "y": 650, "z": 480}, "tolerance": {"range_mm": 10, "azimuth_deg": 0.3, "height_mm": 8},
	            "positions": [{"name": "a", "range_mm": 2500, "azimuth_deg": 135}, {"name": "b", "range_mm": 2500, "azimuth_deg": 180, "height_mm": 600}]},
	  "fixture": {"kind": "reflector"},
	  "instruments": {"tape": {"kind": "steel tape", "standard_uncertainty_mm": 1}},
	  "readings": [{"quantity": "span", "from": "datum", "to": "target", "instrument": "tape"}]}`)
	at, err := c.Nominal("a")
	require.NoError(t, err)
	require.InDelta(t, 2500/math.Sqrt2, at.DistanceMM, 1e-9)
	require.InDelta(t, 650+2500/math.Sqrt2, at.LateralMM, 1e-9)
	move, err := c.CarryFrom("a", "b")
	require.NoError(t, err)
	require.Equal(t, "right", move.To)
	require.InDelta(t, 2500/math.Sqrt2, move.MM, 1e-9)
	require.Equal(t, "away", move.Also[0].To)
	require.InDelta(t, 2500-2500/math.Sqrt2, move.Also[0].MM, 1e-9)
	require.Equal(t, placement.Carry{To: "up", MM: 100}, move.Also[1])

	// 10 mm across the line of sight at 2.5 m is 0.23°.
	c.Readings = append(c.Readings, placement.Reading{Quantity: placement.CentreOffset, Instrument: "tape"},
		placement.Reading{Quantity: placement.Height, Instrument: "tape"},
		placement.Reading{Quantity: placement.DatumDistance, Instrument: "tape"})
	r := check(t, placement.ReadAt(c, "b", placement.Offset{4: 10}))
	require.InDelta(t, -0.23, r.Deviation[placement.AzimuthDeg], 0.005, "to the left is clockwise behind the car")
	require.InDelta(t, 400, r.Aim.At100MLeftMM, 0.5, "10 mm at 2.5 m is 400 mm at 100 m")
}

// Thrust angle: half of left rear toe minus right rear toe, positive to the right. The signs are those of a workshop
// manual; another publishes the opposite. 0.10° is 17.453310 mm at 10 m.
func TestThrustAngle(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ left, right, thrust float64 }{
		{0.10, 0.20, -0.05}, {0.30, 0.10, 0.10}, {0.15, 0.15, 0}, {0.20, -0.10, 0.15}} {
		require.InDelta(t, row.thrust, placement.RearToe{Left: row.left, Right: row.right}.ThrustDeg(), 1e-15)
	}
	c := decoded(t, boardCase)
	c.Setup.Line = placement.ThrustLine
	c.Vehicle.RearToeDeg = &placement.RearToe{Left: 0.30, Right: 0.10}
	c.Setup.Datum = placement.RearAxle
	d := 10000.0
	c.Setup.DistanceMM = &d
	l, err := c.Layout("centre")
	require.NoError(t, err)
	require.InDelta(t, -0.10, l.LineYawDeg, 1e-15)
	require.InDelta(t, -17.453310*math.Cos(0.1*math.Pi/180), l.Target.Y, 1e-5, "to the right of the centreline")
}

// Offset and angle: d·tan θ, as tables print it.
func TestAimAt100M(t *testing.T) {
	t.Parallel()
	c := decoded(t, boardCase)
	c.Setup.SensorAtMM = &placement.Point{X: 2680, Y: 0, Z: 325}
	c.Instruments["tape"] = placement.Instrument{Kind: "tape", StandardUncertaintyMM: 0.02} // so that the priors weigh nothing
	for deg, mm := range map[float64]float64{
		0.05: 87.266485, 0.1: 174.533102, 0.25: 436.335082, 0.5: 872.686779, 1: 1745.506493, 2: 3492.076949} {
		off := 3000 * math.Tan(deg*math.Pi/180)
		r := check(t, placement.ReadAt(c, "centre", placement.Offset{4: off}))
		require.InDelta(t, deg, r.Aim.AzimuthDeg, 1e-6)
		require.InDelta(t, mm, r.Aim.At100MLeftMM, 1e-6*mm)
	}
	r := check(t, placement.ReadAt(c, "centre", placement.Offset{5: 10}))
	require.InDelta(t, 0.19, r.Aim.ElevationDeg, 0.005, "10 mm at 3 m")
}

// A floor that slopes evenly does no harm to heights taken from it: 3 mm/m everywhere is the plane of the wheels. A
// dip of 5 mm under the fixture is 5 mm of height. A level reads the slope: 10 mm/m is 0.57°.
func TestFloor(t *testing.T) {
	t.Parallel()
	c := decoded(t, boardCase)
	flat := values(placement.ReadAt(c, "centre", placement.Offset{}))
	height, level := 6, 7
	slope := func(perMetre, roll, dip float64) []float64 {
		sloped := c
		at := func(x, y float64) float64 { return perMetre*x/1000 + roll*y/1000 }
		sloped.Floor = &placement.Floor{
			WheelsMM:  placement.Wheels{FrontLeft: at(2680, 780), FrontRight: at(2680, -780), RearLeft: at(0, 786), RearRight: at(0, -786)},
			FixtureMM: at(2680+3000, 0) - dip}
		return values(placement.ReadAt(sloped, "centre", placement.Offset{}))
	}
	require.InDelta(t, flat[height], slope(3, 0, 0)[height], 1e-9)
	require.InDelta(t, flat[height]+5, slope(3, 0, 5)[height], 1e-9)
	require.InDelta(t, 0.57, slope(0, 10, 0)[level], 0.005, "the left is higher")
	require.InDelta(t, math.Atan(0.010)*180/math.Pi, slope(0, 10, 0)[level], 1e-9)

	// Measuring from hub height to a mark at 1250 mm adds 139 mm at 3 m and 75 mm at 5.7 m.
	high := 1250.0
	c.Setup.HeightMM = &high
	c.Readings[0].Quantity, c.Readings[4].Quantity = placement.PlanSpan, placement.PlanSpan
	plan := values(placement.ReadAt(c, "centre", placement.Offset{}))
	c.Readings[0].Quantity, c.Readings[4].Quantity = placement.Span, placement.Span
	slant := values(placement.ReadAt(c, "centre", placement.Offset{}))
	require.InDelta(t, 139, slant[0]-plan[0], 0.5)
	require.InDelta(t, 72, slant[4]-plan[4], 0.5, "925 mm over the 5897 mm of this span; 75 mm over 5.7 m")
}
