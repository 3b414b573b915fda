package adjust_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/adjust"
	"readback/internal/testkit/board"
)

// Both factorisations are backward stable at a condition number of about 1e3 in units of the priors, so they agree to
// 1e-10 or better; the estimates differ by the last steps, up to 1e-9 of a prior.
func TestAgreesWithGonum(t *testing.T) {
	t.Parallel()
	net := board.Case()
	s := solve(t, net)
	x, covariance, redundancy := board.ThroughGonum(net)
	for i := range x {
		require.InDelta(t, x[i], s.X[i], 1e-9*net.Unknowns[i].Prior)
		for j := range x {
			size := math.Sqrt(covariance.At(i, i) * covariance.At(j, j))
			require.InDelta(t, covariance.At(i, j), s.Covariance(i, j), 1e-9*size)
		}
	}
	for i := range redundancy {
		require.InDelta(t, redundancy[i], s.Redundancy[i], 1e-9)
	}
}

func TestSolvingAllocatesNothing(t *testing.T) {
	net := board.Case()
	var solver adjust.Solver
	var s adjust.Solution
	solver.Solve(&s, net)
	require.Zero(t, testing.AllocsPerRun(100, func() { solver.Solve(&s, net) }))
}
