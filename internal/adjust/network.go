// Package adjust estimates unknowns from more readings than are needed, by weighted least squares, and says how far
// each reading is checked by the others.
//
// The unknowns may have priors: a standard deviation about their start. Gauss-Newton steps, each solved by Householder
// reflections of the weighted Jacobian stacked on the priors, run until every step is below a fraction of its prior and
// can lessen the misfit no more. A step after which readings and priors together fit worse is halved until they do not.
// An estimation that does not end so is not settled, and its numbers mean nothing. One that does is a least misfit near
// its start; there may be a lesser one elsewhere, where readings are few or the start is far off.
//
// The covariance comes from the stated uncertainties and is not rescaled by the fit.
//
// Signs: a residual is value minus prediction, so the residual of a reading that is too large is positive. Units are
// the caller's: each unknown and each reading has its own.
//
// A Solver and a Solution own their buffers and grow them once; a solve with buffers large enough allocates nothing.
// Each belongs to one goroutine.
package adjust

// Unknown is one value to be estimated.
type Unknown struct {
	Start float64 // where the estimation starts, and the middle of its prior
	Prior float64 // standard deviation about Start; +Inf for none, and steps are then judged against 1
	// Reading says that the prior was observed, as a reading of Start: it counts in chi-square and in the degrees of
	// freedom. Other priors only keep the network solvable.
	Reading bool
}

// Observation is one reading: its value and its standard uncertainty, which is above 0.
type Observation struct {
	Value, Uncertainty float64
}

// Model predicts the readings of a network.
type Model interface {
	// Linearise writes the predicted value of each observation at x and, in row i of the jacobian, its derivative by
	// each unknown: jacobian[i*len(x)+j]. The jacobian is zero on entry.
	Linearise(x, predicted, jacobian []float64)
}

// Network is what is to be adjusted. The zero values of Within and MostSteps stand for the defaults.
type Network struct {
	Unknowns     []Unknown
	Observations []Observation
	Model        Model
	Within       float64 // a step below this part of its prior ends the estimation; default 1e-9
	MostSteps    int     // default 50; a halved step counts as one more
}

// DefaultWithin and DefaultMostSteps end the estimation where the network does not say otherwise.
const (
	DefaultWithin    = 1e-9
	DefaultMostSteps = 50
)

// LeastRedundancy is the redundancy number below which a reading counts as unchecked.
const LeastRedundancy = 1e-3

// NonCentrality is how many standard deviations an error must have to be found with 80 % power by a test with 0.1 %
// risk: the sum of the normal quantiles of 0.9995 and 0.80.
const NonCentrality = 4.132147965064809

// Everything is the index for leaving no reading out.
const Everything = -1
