package adjust_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"readback/internal/adjust"
	"readback/internal/testkit/board"
)

// line is y = x[0] + x[1]·t.
type line []float64

func (l line) Linearise(x, predicted, jacobian []float64) {
	for i, t := range l {
		predicted[i] = x[0] + x[1]*t
		jacobian[2*i], jacobian[2*i+1] = 1, t
	}
}

// Calibration line of the GUM, JCGM 100:2008, H.3: estimates, uncertainties and correlation, as printed there (-0.1712, 0.00218, 0.0029, 0.00067, -0.930) and
// computed in exact fractions to more digits. The unit uncertainties are scaled by the fit afterwards, as the GUM does.
func TestGUMCalibrationLine(t *testing.T) {
	t.Parallel()
	temperature := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160}
	model := make(line, len(temperature))
	net := &adjust.Network{Model: model, Unknowns: []adjust.Unknown{{Prior: math.Inf(1)}, {Prior: math.Inf(1)}}}
	for i := range temperature {
		model[i] = temperature[i] - 20
		net.Observations = append(net.Observations, adjust.Observation{Value: correction[i], Uncertainty: 1})
	}
	s := solve(t, net)
	require.InDelta(t, -0.17120379013135, s.X[0], 1e-13)
	require.InDelta(t, 0.0021826977398873, s.X[1], 1e-14)
	require.InDelta(t, 9, s.DegreesOfFreedom, 1e-12)
	scale := math.Sqrt(s.ChiSquare / 9)
	require.InDelta(t, 0.00349756396351, scale, 1e-13)
	require.InDelta(t, 0.00287759783515995, scale*math.Sqrt(s.Covariance(0, 0)), 1e-13)
	require.InDelta(t, 0.000667938773228, scale*math.Sqrt(s.Covariance(1, 1)), 1e-14)
	require.InDelta(t, -0.930429603093, s.Covariance(0, 1)/math.Sqrt(s.Covariance(0, 0)*s.Covariance(1, 1)), 1e-11)
	require.InDelta(t, 0.00413859575285, scale*s.Uncertainty([]float64{1, 10}), 1e-13, "u of the correction at 30 °C")
}

// Baarda's parameters for 0.1 % risk and 80 % power; tables print 4.13. Both quantiles are gonum's here.
func TestNonCentrality(t *testing.T) {
	t.Parallel()
	require.InDelta(t, distuv.UnitNormal.Quantile(0.9995)+distuv.UnitNormal.Quantile(0.80), adjust.NonCentrality, 1e-12)
	require.InDelta(t, 4.13214796506, adjust.NonCentrality, 1e-11)
}

// shifted is one length read directly by all, with one more unknown added to some of the readings.
type shifted []float64

func (m shifted) Linearise(x, predicted, jacobian []float64) {
	for i, part := range m {
		predicted[i] = x[0] + part*x[1]
		jacobian[2*i], jacobian[2*i+1] = 1, part
	}
}

// A length read twice with a hook of unknown length and once without: by hand, the pair counts as one reading of
// variance 1/2 + 4, the weights are 1/4.5 and 1, and there is one degree of freedom in readings and hook together.
func TestCommonPartIsAReading(t *testing.T) {
	t.Parallel()
	net := &adjust.Network{Model: shifted{1, 1, 0},
		Unknowns:     []adjust.Unknown{{Prior: math.Inf(1)}, {Prior: 2, Reading: true}},
		Observations: []adjust.Observation{{Value: 13, Uncertainty: 1}, {Value: 13, Uncertainty: 1}, {Value: 10, Uncertainty: 1}}}
	s := solve(t, net)
	weight := 1 / 4.5
	require.InDelta(t, (13*weight+10)/(weight+1), s.X[0], 1e-12)
	require.InDelta(t, 1/(weight+1), s.Covariance(0, 0), 1e-12)
	require.InDelta(t, 2, s.DegreesOfFreedom, 1e-12, "three readings and the hook, less two unknowns")
	require.InDelta(t, 9/(4.5+1), s.ChiSquare, 1e-12)
}

func TestLeavingOut(t *testing.T) {
	t.Parallel()
	net := board.Case()
	net.Observations[3].Value += 25
	var solver adjust.Solver
	var full, without adjust.Solution
	solver.Solve(&full, net)
	solver.Estimate(&without, net, 3)
	// For a linear network the drop of chi-square is w² and the likely error is v/r; this one is nearly linear over
	// the few millimetres of pose that a 25 mm error moves.
	require.InEpsilon(t, full.Standardised[3]*full.Standardised[3], full.ChiSquare-without.ChiSquare, 0.01)
	require.InEpsilon(t, full.Residual[3]/full.Redundancy[3], without.Residual[3], 0.01)
	for i := range net.Observations {
		solver.Estimate(&full, net, i)
		if i != 3 {
			require.Greater(t, full.ChiSquare, without.ChiSquare+10.828)
		}
	}
}

type nowhere struct{}

func (nowhere) Linearise(x, predicted, jacobian []float64) {
	predicted[0], jacobian[0] = math.Exp(x[0]), math.Exp(x[0])
}

func TestSaysWhenItDoesNotSettle(t *testing.T) {
	t.Parallel()
	var solver adjust.Solver
	var s adjust.Solution
	solver.Solve(&s, &adjust.Network{Model: nowhere{}, Unknowns: []adjust.Unknown{{Prior: math.Inf(1)}},
		Observations: []adjust.Observation{{Value: -1, Uncertainty: 1}}}) // no x has a negative exponential
	require.False(t, s.Settled)
	solver.Solve(&s, &adjust.Network{Model: shifted{1}, Unknowns: []adjust.Unknown{{Prior: math.Inf(1)}, {Prior: math.Inf(1)}},
		Observations: []adjust.Observation{{Value: 1, Uncertainty: 1}}}) // one reading, two unknowns, no priors
	require.False(t, s.Settled)
}

// Influence is the derivative of an estimate by a reading: compared with solving again after a change. The network is
// linear, so only rounding differs.
func TestInfluence(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 8).Draw(t, "readings")
		model := make(line, n)
		net := &adjust.Network{Model: model, Unknowns: []adjust.Unknown{{Prior: 100}, {Prior: 30}}}
		for i := range n {
			model[i] = float64(i) + rapid.Float64Range(0, 0.5).Draw(t, "t")
			net.Observations = append(net.Observations, adjust.Observation{
				Value: rapid.Float64Range(-5, 5).Draw(t, "y"), Uncertainty: rapid.Float64Range(0.1, 3).Draw(t, "u")})
		}
		var solver adjust.Solver
		var s, moved adjust.Solution
		solver.Solve(&s, net)
		gradient := []float64{1, 2}
		k := make([]float64, n)
		s.Influence(k, gradient)
		i := rapid.IntRange(0, n-1).Draw(t, "changed")
		net.Observations[i].Value++
		solver.Estimate(&moved, net, adjust.Everything)
		if got := moved.X[0] + 2*moved.X[1] - s.X[0] - 2*s.X[1]; math.Abs(got-k[i]) > 1e-9 {
			t.Fatalf("influence %g, moved by %g", k[i], got)
		}
	})
}
