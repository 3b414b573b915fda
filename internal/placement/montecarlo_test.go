package placement_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

// The stated uncertainties against the spread of many simulated sets of readings, with the noise of pointing, of the
// instrument and of the part common to its readings. With n draws a standard deviation is known to 1/√(2n), a mean to
// u/√n and the mean chi-square to √(2·dof/n); five of those make a chance failure rarer than one in a million. The seed
// is fixed.
func TestMonteCarlo(t *testing.T) {
	t.Parallel()
	const n = 2000
	cases := worked(t)
	withCommon := 0
	for _, number := range []string{"001", "002", "003", "011", "026"} {
		c := cases[number]
		tape := c.Instruments["tape"]
		if tape.CommonMM > 0 {
			withCommon++
		}
		truth := placement.ReadAt(c, c.Position, placement.Offset{0.2, -0.1, 0.1, 3, -2, 1.5, 2})
		exact := check(t, truth)
		random := rand.New(rand.NewPCG(7, 11))
		sum, squares, chiSquare := map[placement.Judged]float64{}, map[placement.Judged]float64{}, 0.0
		for range n {
			noisy := truth
			noisy.Closing = nil
			noisy.Readings = make([]placement.Reading, len(truth.Readings))
			common := map[string]float64{}
			for i, r := range truth.Readings {
				in := c.Instruments[r.Instrument]
				if _, drawn := common[r.Instrument]; !drawn {
					common[r.Instrument] = (in.CommonMM + in.CommonDeg) * random.NormFloat64()
				}
				u := math.Hypot(in.StandardUncertaintyMM+in.StandardUncertaintyDeg, r.PointingMM+r.PointingDeg)
				v, _ := r.Value()
				noisy.Readings[i] = r.With(v + common[r.Instrument] + u*random.NormFloat64())
			}
			r := check(t, noisy)
			require.NotEqual(t, placement.Undetermined, r.Verdict)
			for q, e := range r.Deviation {
				off := e - exact.Deviation[q]
				sum[q] += off
				squares[q] += off * off
			}
			chiSquare += *r.ChiSquare
		}
		for q, u := range exact.StandardUncertainty {
			require.InEpsilon(t, u, math.Sqrt(squares[q]/n), 5/math.Sqrt(2*n), "%s %s", number, q)
			require.InDelta(t, 0, sum[q]/n, 5*u/math.Sqrt(n), "%s %s", number, q)
		}
		dof := float64(*exact.DegreesOfFreedom)
		require.InDelta(t, dof, chiSquare/n, 5*math.Sqrt(2*dof/n), number)
	}
	require.Positive(t, withCommon, "one case at least has a common part")
}
