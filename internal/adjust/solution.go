package adjust

import "math"

// Solution is what a Solver found. Its slices are reused by the next solve into it.
type Solution struct {
	Settled   bool // false: the steps did not become small, or a number overflowed
	Steps     int
	X         []float64 // the estimates
	Residual  []float64 // value minus prediction, also of the reading left out
	ChiSquare float64   // over the readings not left out and the priors that are readings

	// Set by Solve only.
	DegreesOfFreedom float64   // sum of the redundancy numbers, of priors that are readings too
	Redundancy       []float64 // the share of an error in the reading that shows in its residual, 0 to 1
	Standardised     []float64 // residual over its standard deviation; 0 for an unchecked reading
	SmallestError    []float64 // the smallest error that the network is likely to find; NaN for an unchecked reading

	covariance []float64 // row-major, filled by Solve
	jacobian   []float64 // row-major, at the last step
	variances  []float64 // of the observations
}

// Covariance is that of unknowns i and j.
func (s *Solution) Covariance(i, j int) float64 { return s.covariance[i*len(s.X)+j] }

// Uncertainty is the standard uncertainty of a quantity with the given derivatives by the unknowns.
func (s *Solution) Uncertainty(gradient []float64) float64 {
	n := len(s.X)
	var sum float64
	for i, g := range gradient {
		if g == 0 {
			continue
		}
		var row float64
		for j, h := range gradient {
			row += s.covariance[i*n+j] * h
		}
		sum += g * row
	}
	return math.Sqrt(max(sum, 0))
}

// Influence writes into dst how much a quantity with the given derivatives changes for a unit change of each reading.
func (s *Solution) Influence(dst, gradient []float64) {
	n := len(s.X)
	for i := range dst {
		var sum float64
		for a := range n {
			if j := s.jacobian[i*n+a]; j != 0 {
				var cg float64
				for b, g := range gradient {
					cg += s.covariance[a*n+b] * g
				}
				sum += cg * j
			}
		}
		dst[i] = sum / s.variances[i]
	}
}
