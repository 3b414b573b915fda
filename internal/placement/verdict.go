package placement

import (
	"math"

	"readback/internal/adjust"
	"readback/internal/metrology"
)

// How sure a contradiction must be: one residual beyond 0.1 % (3.29²), all of them together beyond 0.1 %.
const (
	largestW2   = 10.828
	globalRisk  = 0.001
	suspectNear = 6.0 // suspects explain nearly as much as the best one
)

// assessment is a solved network with its judgements.
type assessment struct {
	*network
	adjust.Solution
	judged []judgement
}

// workbench holds the buffers of one check.
type workbench struct {
	solver adjust.Solver
	row    []float64
	tried  assessment // of the last try
}

func (w *workbench) solve(n *network) *assessment {
	a := &assessment{network: n}
	w.solver.Solve(&a.Solution, &n.Network)
	a.judged = n.scene.judge(nil, n.pose(a.X))
	w.uncertainties(a.judged, n, &a.Solution)
	return a
}

// at appraises the network at a pose instead of solving it.
func (w *workbench) at(n *network, p pose) *assessment {
	a := &assessment{network: n}
	w.solver.At(&a.Solution, &n.Network, n.state(p))
	a.judged = n.scene.judge(nil, p)
	w.uncertainties(a.judged, n, &a.Solution)
	return a
}

// try is at for a look that nobody keeps: the next one overwrites it.
func (w *workbench) try(n *network, p pose) []judgement {
	w.solver.At(&w.tried.Solution, &n.Network, n.state(p))
	w.tried.judged = n.scene.judge(w.tried.judged, p)
	w.uncertainties(w.tried.judged, n, &w.tried.Solution)
	return w.tried.judged
}

func (w *workbench) uncertainties(judged []judgement, n *network, s *adjust.Solution) {
	for i := range judged {
		judged[i].u = s.Uncertainty(w.spread(n, judged[i].g))
	}
}

// spread gives a gradient by the network's unknowns, until the next call.
func (w *workbench) spread(n *network, g gradient) []float64 {
	if cap(w.row) < len(n.Unknowns) {
		w.row = make([]float64, len(n.Unknowns))
	}
	w.row = w.row[:len(n.Unknowns)]
	n.spread(w.row, g)
	return w.row
}

// degrees is the degrees of freedom as a whole number.
func (a *assessment) degrees() int { return int(math.Round(a.DegreesOfFreedom)) }

// contradicts says whether the readings do not fit together.
func (a *assessment) contradicts() bool {
	if !a.Settled {
		return true
	}
	for _, w := range a.Standardised {
		if w*w > largestW2 {
			return true
		}
	}
	return exceeds(a.ChiSquare, a.degrees())
}

func exceeds(chiSquare float64, degrees int) bool {
	return degrees > 0 && chiSquare > metrology.ChiSquareQuantile(1-globalRisk, degrees)
}

func (a *assessment) verdict() Verdict {
	for _, j := range a.judged {
		// A network that does not settle may have no covariance at all: that is a contradiction, not a gap.
		if j.unknown() && (a.Settled || !math.IsNaN(j.u)) {
			return Undetermined
		}
	}
	if a.contradicts() {
		return Remeasure
	}
	for _, j := range a.judged {
		if j.out() {
			return Adjust
		}
	}
	if conform(a.judged) {
		return Within
	}
	return Unsure
}

func conform(judged []judgement) bool {
	for _, j := range judged {
		if !(j.conformance() >= metrology.RequiredConformance) {
			return false
		}
	}
	return true
}

// Check computes where the fixture stands at the case's position and what to do. It refuses a case that does not
// validate or lacks a value.
func Check(c Case) (Result, error) {
	if err := c.measured(); err != nil {
		return Result{}, err
	}
	s, err := c.sceneAt(c.Position)
	if err != nil {
		return Result{}, err
	}
	var w workbench
	a := w.solve(c.network(s, c.Readings, nobody))
	verdict := a.verdict()
	r := Result{Verdict: verdict}
	if verdict == Undetermined {
		r.Missing, r.WouldFind = c.advise(&w, a)
		return r, nil
	}
	r.Suspects, r.ReliesOn = []Suspect{}, []Reliance{}
	if verdict == Remeasure {
		r.Suspects = c.suspects(&w, a)
		if len(r.Suspects) == 0 {
			r.Shared = c.shared(&w, a)
		}
		if !a.Settled {
			r.ReliesOn = nil
			return r, nil
		}
	}
	a.report(&w, &r)
	r.Copied = c.copied(a)
	switch verdict {
	case Adjust:
		r.Moves, _ = c.moves(&w, a)
		r.TooCoarse = a.coarse()
	case Within:
		if len(c.Closing) > 0 {
			r.Closing = c.closing(&w, a)
		}
	case Unsure:
		r.TooCoarse = a.coarse()
		r.Next = c.next(&w, a)
		if moves, reach := c.moves(&w, a); reach {
			r.Nudge = moves
		}
	}
	return r, nil
}

// report fills in what every settled result has.
func (a *assessment) report(w *workbench, r *Result) {
	r.Deviation = make(map[Judged]float64, len(a.judged))
	r.StandardUncertainty = make(map[Judged]float64, len(a.judged))
	r.ConformanceProbability = make(map[Judged]float64, len(a.judged))
	for _, j := range a.judged {
		r.Deviation[j.of], r.StandardUncertainty[j.of], r.ConformanceProbability[j.of] = j.e, j.u, j.conformance()
	}
	r.Readings = make([]Appraisal, len(a.taken))
	for i := range r.Readings {
		r.Readings[i] = Appraisal{
			StandardisedResidual: a.Standardised[i], Redundancy: a.Redundancy[i], SmallestErrorSeen: seen(a.SmallestError[i])}
	}
	r.ReliesOn = a.reliesOn(w, r.ReliesOn)
	chiSquare, degrees := a.ChiSquare, a.degrees()
	r.ChiSquare, r.DegreesOfFreedom = &chiSquare, &degrees
	p := a.pose(a.X)
	exported := p.exported(a.scene)
	r.Pose = &exported
	r.Aim = a.scene.aim(exported.Target)
}

func seen(smallest float64) *float64 {
	if math.IsNaN(smallest) {
		return nil
	}
	return &smallest
}

// reliesOn appends the pairs of reading and judged quantity that nothing else checks: an unchecked reading with a
// noticeable part in the quantity, or one whose undetected error could use up the limit.
func (a *assessment) reliesOn(w *workbench, all []Reliance) []Reliance {
	k := make([]float64, len(a.taken)*len(a.judged))
	for q, j := range a.judged {
		a.Influence(k[q*len(a.taken):(q+1)*len(a.taken)], w.spread(a.network, j.g))
	}
	for i := range a.taken {
		for q, j := range a.judged {
			part := math.Abs(k[q*len(a.taken)+i])
			if a.Redundancy[i] < adjust.LeastRedundancy {
				if part*a.Observations[i].Uncertainty > 0.2*j.u {
					all = append(all, Reliance{i, j.of})
				}
			} else if part*a.SmallestError[i] > j.t {
				all = append(all, Reliance{i, j.of})
			}
		}
	}
	return all
}

// coarse lists the judged quantities whose uncertainty no placement could conform with.
func (a *assessment) coarse() []Judged {
	var all []Judged
	for _, j := range a.judged {
		if j.coarse() {
			all = append(all, j.of)
		}
	}
	return all
}
