package adjust

import "math"

// leastFall is the part of the misfit, or of 1 where that is less, that the last step may still take off: without this,
// steps of unknowns that have shrunk to nothing would look small.
const leastFall = 1e-8

// Solver solves networks. The zero value is ready.
type Solver struct {
	rows  []float64 // weighted Jacobian in units of the priors, row-major
	cols  []float64 // the same column-major, consumed by the reflections
	right []float64 // weighted misclosures, consumed likewise
	upper []float64 // the triangular factor, row-major, in units of the priors
	step  []float64
	scale []float64 // the unit of each unknown: its prior
	held  []float64 // predictions
	from  []float64 // the estimates before the last step
	move  []float64 // that step, in the unknowns' units
}

// Solve adjusts the network and appraises every reading.
func (w *Solver) Solve(dst *Solution, net *Network) {
	w.Estimate(dst, net, Everything)
	w.appraise(dst, net)
}

// At appraises the network with the unknowns held at x: the covariance, redundancy and smallest errors it would have
// there, whatever the values read. The priors stand about their starts with their standard deviations, as always.
func (w *Solver) At(dst *Solution, net *Network, x []float64) {
	n, m := len(net.Unknowns), len(net.Observations)
	w.size(n, m)
	dst.size(n, m)
	w.scales(net)
	copy(dst.X, x)
	w.linearise(dst, net, Everything)
	reflect(w.upper, w.step, w.cols, w.right, n, m)
	dst.Settled, dst.Steps, dst.ChiSquare = substitute(w.upper, w.step, n), 0, math.NaN()
	w.appraise(dst, net)
}

// Estimate adjusts the network with one reading left out, or Everything in. It gives the estimates, the residuals and
// chi-square, not the appraisal of the readings. The residual of the reading left out is its value minus what the
// others predict.
func (w *Solver) Estimate(dst *Solution, net *Network, without int) {
	n, m := len(net.Unknowns), len(net.Observations)
	w.size(n, m)
	dst.size(n, m)
	w.scales(net)
	for i, u := range net.Unknowns {
		dst.X[i] = u.Start
	}
	within, most := net.Within, net.MostSteps
	if within == 0 {
		within = DefaultWithin
	}
	if most == 0 {
		most = DefaultMostSteps
	}
	dst.Settled = false
	noise, misfit, largest := rounding(net), 0.0, 0.0
	for dst.Steps = 1; dst.Steps <= most; dst.Steps++ {
		w.linearise(dst, net, without)
		now := squares(w.right) + squares(w.step)
		if better := now <= misfit+noise*(noise+2*math.Sqrt(misfit)); dst.Steps > 1 && !better {
			if largest /= 2; largest < within {
				break // the misfit falls along the step by its slope and rises by its values: the model breaks here
			}
			w.retreat(dst.X)
			continue
		}
		misfit = now
		reflect(w.upper, w.step, w.cols, w.right, n, m)
		fall := squares(w.step) // by which the step would lessen the misfit if the model were linear
		if !substitute(w.upper, w.step, n) {
			break
		}
		copy(w.from, dst.X)
		largest = 0
		for i, s := range w.step {
			w.move[i] = s * w.scale[i]
			dst.X[i] += w.move[i]
			largest = max(largest, math.Abs(s))
		}
		if math.IsNaN(largest) || math.IsInf(largest, 0) {
			break
		}
		if largest < within && fall <= leastFall*max(1, misfit) {
			dst.Settled = true
			break
		}
	}
	dst.Steps = min(dst.Steps, most)
	// The last step is small, so the linear prediction carries the residuals over it.
	for i := range dst.Residual {
		row := dst.jacobian[i*n : i*n+n]
		for j, s := range w.step {
			dst.Residual[i] -= row[j] * s * w.scale[j]
		}
	}
	dst.ChiSquare = 0
	for i, o := range net.Observations {
		if i != without {
			v := dst.Residual[i] / o.Uncertainty
			dst.ChiSquare += v * v
		}
	}
	for i, u := range net.Unknowns {
		if u.Reading {
			v := (dst.X[i] - u.Start) / u.Prior
			dst.ChiSquare += v * v
		}
	}
	if math.IsNaN(dst.ChiSquare) || math.IsInf(dst.ChiSquare, 0) {
		dst.Settled = false
	}
}

// retreat halves the last step.
func (w *Solver) retreat(x []float64) {
	for i := range x {
		w.move[i] /= 2
		x[i] = w.from[i] + w.move[i]
	}
}

// rounding is about what rounding may change the root of the misfit by: a rise so small is none.
func rounding(net *Network) float64 {
	const digits = 1e-14 // some 50 roundings of a float64 between the unknowns and a prediction
	var sum float64
	for _, o := range net.Observations {
		v := o.Value / o.Uncertainty
		sum += v * v
	}
	return digits * math.Sqrt(sum)
}

func squares(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x * x
	}
	return sum
}

func (w *Solver) scales(net *Network) {
	for i, u := range net.Unknowns {
		w.scale[i] = u.Prior
		if math.IsInf(u.Prior, 1) {
			w.scale[i] = 1
		}
	}
}

// linearise fills the stacked system at dst.X: the priors as the triangle on top, the readings below.
func (w *Solver) linearise(dst *Solution, net *Network, without int) {
	n, m := len(net.Unknowns), len(net.Observations)
	clear(dst.jacobian)
	net.Model.Linearise(dst.X, w.held, dst.jacobian)
	for i, o := range net.Observations {
		dst.variances[i] = o.Uncertainty * o.Uncertainty
		weight := 1 / o.Uncertainty
		dst.Residual[i] = o.Value - w.held[i]
		if i == without {
			weight = 0
		}
		w.right[i] = dst.Residual[i] * weight
		from, to := dst.jacobian[i*n:i*n+n], w.rows[i*n:i*n+n]
		for j, d := range from {
			d *= weight * w.scale[j]
			to[j] = d
			w.cols[j*m+i] = d
		}
	}
	clear(w.upper)
	for i, u := range net.Unknowns {
		w.step[i] = 0
		if !math.IsInf(u.Prior, 1) {
			w.upper[i*n+i] = 1
			w.step[i] = (u.Start - dst.X[i]) / u.Prior
		}
	}
}

// reflect brings [upper; cols] to triangular form by Householder reflections, one per column, and applies them to the
// right-hand sides [top; right]. Below its diagonal the upper part is zero and stays so, so a reflection touches one
// of its rows only.
func reflect(upper, top, cols, right []float64, n, m int) {
	for k := range n {
		col := cols[k*m : k*m+m]
		var below float64
		for _, c := range col {
			below += c * c
		}
		if below == 0 {
			continue
		}
		diag := upper[k*n+k]
		to := -math.Copysign(math.Sqrt(diag*diag+below), diag)
		head := diag - to
		factor := -1 / (to * head)
		upper[k*n+k] = to
		for j := k + 1; j < n; j++ {
			other := cols[j*m : j*m+m]
			sum := head * upper[k*n+j]
			for i, c := range col {
				sum += c * other[i]
			}
			sum *= factor
			upper[k*n+j] -= sum * head
			for i, c := range col {
				other[i] -= sum * c
			}
		}
		sum := head * top[k]
		for i, c := range col {
			sum += c * right[i]
		}
		sum *= factor
		top[k] -= sum * head
		for i, c := range col {
			right[i] -= sum * c
		}
	}
}

// substitute solves upper·x = b in place. It reports whether the triangle was regular.
func substitute(upper, b []float64, n int) bool {
	for i := n - 1; i >= 0; i-- {
		d := upper[i*n+i]
		if d == 0 || math.IsNaN(d) {
			clear(b)
			return false
		}
		sum := b[i]
		for j := i + 1; j < n; j++ {
			sum -= upper[i*n+j] * b[j]
		}
		b[i] = sum / d
	}
	return true
}

// appraise fills the covariance and what follows from it, from the factor of the last step.
func (w *Solver) appraise(dst *Solution, net *Network) {
	n, m := len(net.Unknowns), len(net.Observations)
	invert(w.upper, n)
	for i := range n {
		for j := i; j < n; j++ {
			var sum float64
			for k := j; k < n; k++ {
				sum += w.upper[i*n+k] * w.upper[j*n+k]
			}
			sum *= w.scale[i] * w.scale[j]
			dst.covariance[i*n+j], dst.covariance[j*n+i] = sum, sum
		}
	}
	dst.DegreesOfFreedom = 0
	for i := range m {
		row := w.rows[i*n : i*n+n]
		var hat float64
		for j := range n {
			var z float64
			for k := 0; k <= j; k++ {
				z += w.upper[k*n+j] * row[k]
			}
			hat += z * z
		}
		r := min(max(1-hat, 0), 1)
		u := net.Observations[i].Uncertainty
		dst.Redundancy[i] = r
		dst.DegreesOfFreedom += r
		if r < LeastRedundancy {
			dst.Standardised[i], dst.SmallestError[i] = 0, math.NaN()
			continue
		}
		root := math.Sqrt(r)
		dst.Standardised[i] = dst.Residual[i] / (u * root)
		dst.SmallestError[i] = NonCentrality * u / root
	}
	for i, u := range net.Unknowns {
		if u.Reading {
			dst.DegreesOfFreedom += min(max(1-dst.covariance[i*n+i]/(u.Prior*u.Prior), 0), 1)
		}
	}
}

// invert replaces an upper triangle by its inverse, column by column: the columns before j are inverted already.
func invert(upper []float64, n int) {
	for j := range n {
		diag := 1 / upper[j*n+j]
		upper[j*n+j] = diag
		for i := range j {
			var sum float64
			for k := i; k < j; k++ {
				sum += upper[i*n+k] * upper[k*n+j]
			}
			upper[i*n+j] = -sum * diag
		}
	}
}

func (w *Solver) size(n, m int) {
	w.rows = resize(w.rows, n*m)
	w.cols = resize(w.cols, n*m)
	w.right = resize(w.right, m)
	w.upper = resize(w.upper, n*n)
	w.step = resize(w.step, n)
	w.scale = resize(w.scale, n)
	w.held = resize(w.held, m)
	w.from = resize(w.from, n)
	w.move = resize(w.move, n)
}

func (s *Solution) size(n, m int) {
	s.X = resize(s.X, n)
	s.Residual = resize(s.Residual, m)
	s.Redundancy = resize(s.Redundancy, m)
	s.Standardised = resize(s.Standardised, m)
	s.SmallestError = resize(s.SmallestError, m)
	s.covariance = resize(s.covariance, n*n)
	s.jacobian = resize(s.jacobian, n*m)
	s.variances = resize(s.variances, m)
}

func resize(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}
