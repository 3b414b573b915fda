package adjust_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"readback/internal/adjust"
)

// throughGonum is the same estimation with gonum's dense QR factorisation as the oracle: estimates, covariance and
// redundancy numbers.
func throughGonum(net *adjust.Network) (x []float64, covariance *mat.Dense, redundancy []float64) {
	n, m := len(net.Unknowns), len(net.Observations)
	x = make([]float64, n)
	for i, u := range net.Unknowns {
		x[i] = u.Start
	}
	predicted, jacobian := make([]float64, m), make([]float64, m*n)
	a, b := mat.NewDense(m+n, n, nil), mat.NewVecDense(m+n, nil)
	var qr mat.QR
	for range 50 {
		clear(jacobian)
		net.Model.Linearise(x, predicted, jacobian)
		for i, o := range net.Observations {
			for j := range n {
				a.Set(i, j, jacobian[i*n+j]/o.Uncertainty)
			}
			b.SetVec(i, (o.Value-predicted[i])/o.Uncertainty)
		}
		for i, u := range net.Unknowns {
			a.Set(m+i, i, 1/u.Prior)
			b.SetVec(m+i, (u.Start-x[i])/u.Prior)
		}
		qr.Factorize(a)
		var step mat.VecDense
		if err := qr.SolveVecTo(&step, false, b); err != nil {
			panic(err)
		}
		largest := 0.0
		for i, u := range net.Unknowns {
			x[i] += step.AtVec(i)
			largest = max(largest, math.Abs(step.AtVec(i))/u.Prior)
		}
		if largest < 1e-9 {
			break
		}
	}
	var r, inverse mat.Dense
	qr.RTo(&r)
	if err := inverse.Inverse(r.Slice(0, n, 0, n)); err != nil {
		panic(err)
	}
	covariance = mat.NewDense(n, n, nil)
	covariance.Mul(&inverse, inverse.T())
	redundancy = make([]float64, m)
	for i := range m {
		row := a.RowView(i)
		redundancy[i] = 1 - mat.Inner(row, covariance, row)
	}
	return x, covariance, redundancy
}

// board is a plain flat board in plan with heights: the shape and size of a real case, 12 readings of 5 unknowns.
type board struct{ halfWidth float64 }

var hubs = [4][2]float64{{2680, 780}, {2680, -780}, {0, 786}, {0, -786}}

func (b board) Linearise(x, predicted, jacobian []float64) {
	const degree = math.Pi / 180
	sin, cos := math.Sincos(x[2] * degree)
	for i := range 8 {
		hub, side := hubs[i/2], float64(1-2*(i%2))
		w := side * b.halfWidth
		dx, dy := x[0]-w*sin-hub[0], x[1]+w*cos-hub[1]
		d := math.Hypot(dx, dy)
		predicted[i] = d
		row := jacobian[i*5 : i*5+5]
		row[0], row[1] = dx/d, dy/d
		row[2] = (dx*-w*cos - dy*w*sin) / d * degree
	}
	predicted[8], jacobian[8*5] = x[0], 1
	predicted[9], jacobian[9*5+1] = x[1], 1
	predicted[10], jacobian[10*5+3] = x[3], 1
	predicted[11], jacobian[11*5+4] = x[4], 1
}

func boardCase() *adjust.Network {
	random := rand.New(rand.NewPCG(1, 2))
	net := &adjust.Network{Model: board{halfWidth: 900}, Unknowns: []adjust.Unknown{
		{Start: 5050, Prior: 300}, {Prior: 300}, {Prior: 5}, {Start: 1260, Prior: 300}, {Prior: 5},
	}}
	truth, predicted := []float64{5056, -7, 0.3, 1258, 0.1}, make([]float64, 12)
	net.Model.Linearise(truth, predicted, make([]float64, 60))
	for i, p := range predicted {
		u := 1.3
		if i == 11 {
			u = 0.06
		}
		net.Observations = append(net.Observations, adjust.Observation{Value: p + u*random.NormFloat64(), Uncertainty: u})
	}
	return net
}

// Both factorisations are backward stable at a condition number of about 1e3 in units of the priors, so they agree to
// 1e-10 or better; the estimates differ by the last steps, up to 1e-9 of a prior.
func TestAgreesWithGonum(t *testing.T) {
	t.Parallel()
	net := boardCase()
	s := solve(t, net)
	x, covariance, redundancy := throughGonum(net)
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
	net := boardCase()
	var solver adjust.Solver
	var s adjust.Solution
	solver.Solve(&s, net)
	require.Zero(t, testing.AllocsPerRun(100, func() { solver.Solve(&s, net) }))
}

func BenchmarkSolve(b *testing.B) {
	net := boardCase()
	var solver adjust.Solver
	var s adjust.Solution
	b.ReportAllocs()
	for b.Loop() {
		solver.Solve(&s, net)
	}
}

func BenchmarkThroughGonum(b *testing.B) {
	net := boardCase()
	b.ReportAllocs()
	for b.Loop() {
		throughGonum(net)
	}
}
