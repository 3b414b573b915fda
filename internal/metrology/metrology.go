// Package metrology holds what the project needs of the theory of measurement: the probability of conforming to limits
// (JCGM 106), what is asked of it, and the quantiles that tests of residuals compare with.
// Everything is a pure function; units are the caller's, the same within one call.
package metrology

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// NormalCDF is the probability that a standard normal value is at most z.
func NormalCDF(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// ChiSquareQuantile is the value that chi-square with the degrees of freedom, 1 or more, stays below with
// probability p.
func ChiSquareQuantile(p float64, degreesOfFreedom int) float64 {
	return distuv.ChiSquared{K: float64(degreesOfFreedom)}.Quantile(p)
}

// ConformanceBetween is the probability that a value estimated as e with standard uncertainty u lies between two limits, of
// which one may be infinite (JCGM 106:2012, clause 7).
func ConformanceBetween(e, u, lower, upper float64) float64 {
	switch {
	case math.IsInf(lower, -1):
		return NormalCDF((upper - e) / u)
	case math.IsInf(upper, 1):
		return NormalCDF((e - lower) / u)
	}
	// From the middle, by symmetry, as if above it: the second term is then the small one and nothing cancels.
	half, off := (upper-lower)/2, math.Abs(e-(lower+upper)/2)
	return NormalCDF((half-off)/u) - NormalCDF((-half-off)/u)
}

// Within is the factor k for which a value that is exactly nominal, known with u = limit/k, conforms with the
// probability that the project asks for: 1.96 for 95 %, rounded as tables print it.
const Within = 1.96

// OneSided is the factor for 95 % on one side of a limit, as tables print it.
const OneSided = 1.645

// RequiredConformance is the probability asked for before a quantity counts as within its limits.
const RequiredConformance = 0.95
