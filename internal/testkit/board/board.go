// Package board is the adjustment of an ordinary case, the same every time, and the way to solve it with gonum's dense
// matrices: the oracle of package adjust's tests, and what its speed is measured against.
package board

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"

	"readback/internal/adjust"
)

// plan is a plain flat board in plan with heights: the shape and size of a real case, 12 readings of 5 unknowns.
type plan struct{ halfWidth float64 }

var hubs = [4][2]float64{{2680, 780}, {2680, -780}, {0, 786}, {0, -786}}

func (b plan) Linearise(x, predicted, jacobian []float64) {
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

// Case is a board some millimetres off its place, read with ordinary noise.
func Case() *adjust.Network {
	random := rand.New(rand.NewPCG(1, 2))
	net := &adjust.Network{Model: plan{halfWidth: 900}, Unknowns: []adjust.Unknown{
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

// ThroughGonum is the same estimation as adjust's, with gonum's dense QR factorisation: estimates, covariance and
// redundancy numbers.
func ThroughGonum(net *adjust.Network) (x []float64, covariance *mat.Dense, redundancy []float64) {
	n, m := len(net.Unknowns), len(net.Observations)
	x = make([]float64, n)
	for i, u := range net.Unknowns {
		x[i] = u.Start
	}
	predicted, jacobian := make([]float64, m), make([]float64, m*n)
	a, b := mat.NewDense(m+n, n, nil), mat.NewVecDense(m+n, nil)
	var qr mat.QR
	for range adjust.DefaultMostSteps {
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
		if largest < adjust.DefaultWithin {
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
