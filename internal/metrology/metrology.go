// Package metrology holds what the project needs of the theory of measurement: standard uncertainties from what
// instruments state, the probability of conforming to a limit (JCGM 106), and the quantiles that tests compare with.
// Everything is a pure function; units are the caller's, the same within one call.
package metrology

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// NormalCDF is the probability that a standard normal value is at most z.
func NormalCDF(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// NormalQuantile is the z with NormalCDF(z) = p.
func NormalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// ChiSquareQuantile is the value that chi-square with the degrees of freedom, 1 or more, stays below with
// probability p.
func ChiSquareQuantile(p float64, degreesOfFreedom int) float64 {
	return distuv.ChiSquared{K: float64(degreesOfFreedom)}.Quantile(p)
}

// StudentQuantile is the quantile of Student's t, for 1 or more degrees of freedom.
func StudentQuantile(p float64, degreesOfFreedom int) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(degreesOfFreedom)}.Quantile(p)
}

// Conformance is the probability that a value estimated as e with standard uncertainty u lies within ±limit, without
// prior knowledge of the value (JCGM 106:2012, clause 7).
func Conformance(e, u, limit float64) float64 { return ConformanceBetween(e, u, -limit, limit) }

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

// FromLimit is the standard uncertainty of a value stated to lie within ±limit and no more said: rectangular, limit/√3.
func FromLimit(limit float64) float64 { return limit / math.Sqrt(3) }

// FromExpanded is the standard uncertainty behind an expanded uncertainty U stated with its coverage factor k.
func FromExpanded(expanded, k float64) float64 { return expanded / k }

// Combine is the standard uncertainty of a sum of independent parts.
func Combine(parts ...float64) float64 {
	var sum float64
	for _, p := range parts {
		sum += p * p
	}
	return math.Sqrt(sum)
}

// TapeClass is an accuracy class of tapes in Directive 2014/32/EU, annex X (MI-008).
type TapeClass int

// The classes.
const (
	ClassI TapeClass = iota + 1
	ClassII
	ClassIII
)

// TapeLimitMM is the maximum permissible error of a length measured with a tape of the class: a + b·L mm with L in
// metres, rounded up to the next whole metre. An unknown class has no limit: NaN.
func TapeLimitMM(class TapeClass, lengthMM float64) float64 {
	metres := math.Ceil(lengthMM / 1000)
	switch class {
	case ClassI:
		return 0.1 + 0.1*metres
	case ClassII:
		return 0.3 + 0.2*metres
	case ClassIII:
		return 0.6 + 0.4*metres
	}
	return math.NaN()
}
