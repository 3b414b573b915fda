package geom_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/geom"
)

func near(t require.TestingT, want, got geom.Vec, within float64) {
	require.InDelta(t, 0, want.Sub(got).Length(), within, "want %v, got %v", want, got)
}

// The senses of ISO 8855: yaw turns the nose to the left, roll lifts the left side, and a right-handed turn about y
// leans the top forward.
func TestSenses(t *testing.T) {
	t.Parallel()
	forward, left, up := geom.Vec{X: 1}, geom.Vec{Y: 1}, geom.Vec{Z: 1}
	near(t, left, geom.Turn(90, 0, 0).Apply(forward), 1e-15)
	near(t, geom.Vec{X: -1}, geom.Turn(90, 0, 0).Apply(left), 1e-15)
	near(t, up, geom.Turn(0, 0, 90).Apply(left), 1e-15)
	near(t, forward, geom.Turn(0, 90, 0).Apply(up), 1e-15)
}

func vectors(t *rapid.T, name string) geom.Vec {
	axis := rapid.Float64Range(-10, 10)
	return geom.Vec{X: axis.Draw(t, name), Y: axis.Draw(t, name), Z: axis.Draw(t, name)}
}

// A rotation keeps lengths, angles and handedness, and roll is done first: Rz·Ry·Rx. Rounding of numbers up to 10
// stays below 1e-12.
func TestRotations(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		angle := rapid.Float64Range(-180, 180)
		yaw, tilt, roll := angle.Draw(t, "yaw"), angle.Draw(t, "tilt"), angle.Draw(t, "roll")
		r := geom.Turn(yaw, tilt, roll)
		v, w := vectors(t, "v"), vectors(t, "w")
		require.InDelta(t, v.Dot(w), r.Apply(v).Dot(r.Apply(w)), 1e-12)
		near(t, r.Apply(v.Cross(w)), r.Apply(v).Cross(r.Apply(w)), 1e-12)
		step := geom.Turn(yaw, 0, 0).Apply(geom.Turn(0, tilt, 0).Apply(geom.Turn(0, 0, roll).Apply(v)))
		near(t, step, r.Apply(v), 1e-13)
	})
}

// Four wheels on one plane give that plane back; a fifth point off it moves the fit by the mean, as least squares must.
func TestFitPlane(t *testing.T) {
	t.Parallel()
	want := geom.Plane{A: 2, B: 0.003, C: -0.005}
	var wheels []geom.Vec
	for _, p := range [][2]float64{{2680, 780}, {2680, -780}, {0, 786}, {0, -786}} {
		wheels = append(wheels, geom.Vec{X: p[0], Y: p[1], Z: want.At(p[0], p[1])})
	}
	got := geom.FitPlane(wheels)
	require.InDelta(t, want.A, got.A, 1e-12)
	require.InDelta(t, want.B, got.B, 1e-15)
	require.InDelta(t, want.C, got.C, 1e-15)
	require.InDelta(t, -0.2865, got.RollDeg(), 1e-4, "5 mm/m, the right higher")
	require.InDelta(t, -0.1719, got.TiltDeg(), 1e-4, "3 mm/m, rising forward: it leans back")

	// One wheel 4 mm high on a rectangle: the residuals of the fit are ±1 at every wheel, by symmetry.
	twisted := geom.FitPlane([]geom.Vec{{X: 1, Y: 1, Z: 4}, {X: 1, Y: -1}, {X: -1, Y: 1}, {X: -1, Y: -1}})
	require.InDelta(t, 3, twisted.At(1, 1), 1e-15)
	require.InDelta(t, 1, twisted.At(1, -1), 1e-15)
	require.InDelta(t, -1, twisted.At(-1, -1), 1e-15)

	require.Equal(t, geom.Plane{A: 2}, geom.FitPlane([]geom.Vec{{X: 0, Z: 1}, {X: 1, Z: 2}, {X: 2, Z: 3}}), "all on one line")
}

// A plumb line falls along gravity, which a sloping floor's own frame sees at an angle.
func TestPlumbLine(t *testing.T) {
	t.Parallel()
	foot := geom.Plane{B: 0.01, C: -0.02}.Foot(geom.Vec{X: 100, Y: 50, Z: 1000})
	near(t, geom.Vec{X: 90, Y: 70}, foot, 1e-12)
}

func TestWrap(t *testing.T) {
	t.Parallel()
	for in, want := range map[float64]float64{0: 0, 180: 180, -180: 180, 181: -179, -181: 179, 359.5: -0.5, 720: 0, -540: 180} {
		require.InDelta(t, want, geom.Wrap(in), 1e-12, "%v", in)
	}
	require.True(t, math.IsNaN(geom.Wrap(math.Inf(1))))
}

// Skewing a rectangle 4 m by 3 m by 0.1°, 0.5° and 1°: its diagonals in mm, computed for this project outside the
// program.
func TestSkewedRectangle(t *testing.T) {
	t.Parallel()
	for deg, difference := range map[float64]float64{0.1: 8.377579, 0.5: 41.887738, 1: 83.774491} {
		side := geom.Turn(90-deg, 0, 0).Apply(geom.Vec{X: 3000})
		long, short := geom.Vec{X: 4000}.Add(side).Length(), geom.Vec{X: 4000}.Sub(side).Length()
		require.InDelta(t, difference, long-short, 1e-6)
	}
}

func ExampleTurn() {
	// The left end of a board 1.6 m wide that is turned 0.4° about its middle goes back by 5.6 mm.
	end := geom.Turn(0.4, 0, 0).Apply(geom.Vec{Y: 800})
	fmt.Printf("%.1f\n", end.X)
	// Output: -5.6
}
