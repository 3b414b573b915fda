package placement

import (
	"maps"
	"math"
	"slices"
	"sort"

	"readback/internal/adjust"
	"readback/internal/metrology"
)

// mostPairs bounds the pairs of readings listed for one quantity.
const mostPairs = 12

// candidates lists the readings that could be taken at the fixture, each with the case's coarsest instrument of its
// unit. What would make a new part of the pose unknown is not offered.
func (c *Case) candidates() []Reading {
	coarsest := map[Unit]string{}
	for _, name := range slices.Sorted(maps.Keys(c.Instruments)) {
		i := c.Instruments[name]
		best, found := coarsest[i.Unit()]
		if !found || total(i) > total(c.Instruments[best]) {
			coarsest[i.Unit()] = name
		}
	}
	held := c.known()
	var all []Reading
	offer := func(q Quantity, from, to string) {
		if instrument, there := coarsest[q.Unit()]; there {
			all = append(all, Reading{Quantity: q, From: from, To: to, Instrument: instrument})
		}
	}
	for _, q := range order {
		f := forms[q]
		if f.boardOnly && c.Fixture.Kind != Board || q == Slide && held[slide] || q == Tilt && held[tilt] {
			continue
		}
		switch {
		case f.from:
			for _, from := range startPoints {
				for _, to := range c.Fixture.marks() {
					if to != Target || c.Fixture.Kind == Reflector || !held[slide] {
						offer(q, from, to)
					}
				}
			}
		case f.to != nil:
			for _, to := range f.to {
				offer(q, "", to)
			}
		default:
			offer(q, "", "")
		}
	}
	return all
}

func total(i Instrument) float64 { return math.Hypot(i.uncertainty(), i.common()) }

// prospect is the case's network at a pose with candidate readings that are not taken yet.
type prospect struct {
	*assessment
	candidates []Reading
	gain       [][]float64 // by judged quantity and candidate: gᵀ·C·j
	cross      [][]float64 // by candidate and candidate: jᵀ·C·j
	variance   []float64   // of each candidate reading
}

// prospect works at the pose found, or at the nominal one where nothing was.
func (c *Case) prospect(w *workbench, a *assessment) *prospect {
	candidates := c.candidates()
	full := c.network(a.scene, slices.Concat(c.Readings, candidates), nobody)
	p := full.scene.nominal
	if a.Settled {
		p = a.pose(a.X)
	}
	x := full.state(p)
	count := len(c.Readings)
	predicted, jacobian := make([]float64, len(full.taken)), make([]float64, len(full.taken)*len(x))
	full.Linearise(x, predicted, jacobian)
	rows := make([][]float64, len(candidates))
	for i := range rows {
		rows[i] = jacobian[(count+i)*len(x) : (count+i+1)*len(x)]
	}
	variance := make([]float64, len(candidates))
	for i := range variance {
		u := full.Observations[count+i].Uncertainty
		variance[i] = u * u
	}
	// The same unknowns, so that a new instrument's common part has its column, and only the readings taken.
	full.taken, full.Observations = full.taken[:count], full.Observations[:count]
	v := &prospect{assessment: w.at(full, p), candidates: candidates, variance: variance}
	for _, j := range v.judged {
		g := slices.Clone(w.spread(full, j.g))
		gain := make([]float64, len(candidates))
		for i, row := range rows {
			gain[i] = product(&v.Solution, g, row)
		}
		v.gain = append(v.gain, gain)
	}
	for _, row := range rows {
		cross := make([]float64, len(candidates))
		for i, other := range rows {
			cross[i] = product(&v.Solution, row, other)
		}
		v.cross = append(v.cross, cross)
	}
	return v
}

// product is gᵀ·C·h.
func product(s *adjust.Solution, g, h []float64) float64 {
	var sum float64
	for i, a := range g {
		if a == 0 {
			continue
		}
		for j, b := range h {
			sum += a * s.Covariance(i, j) * b
		}
	}
	return sum
}

// withOne is the uncertainty of judged quantity q once candidate i has been read.
func (v *prospect) withOne(q, i int) float64 {
	u := v.judged[q].u
	return math.Sqrt(max(u*u-v.gain[q][i]*v.gain[q][i]/(v.variance[i]+v.cross[i][i]), 0))
}

// withTwo is the same for candidates i and k.
func (v *prospect) withTwo(q, i, k int) float64 {
	u := v.judged[q].u
	first := v.variance[i] + v.cross[i][i]
	second := v.variance[k] + v.cross[k][k] - v.cross[i][k]*v.cross[i][k]/first
	gain := v.gain[q][k] - v.gain[q][i]*v.cross[i][k]/first
	return math.Sqrt(max(u*u-v.gain[q][i]*v.gain[q][i]/first-gain*gain/second, 0))
}

func (r Reading) ask() Ask { return Ask{Quantity: r.Quantity, From: r.From, To: r.To} }

// advise lists what the readings do not find, and what would find it.
func (c *Case) advise(w *workbench, a *assessment) ([]Judged, []Finding) {
	v := c.prospect(w, a)
	var missing []Judged
	var findings []Finding
	for q, j := range a.judged {
		if j.unknown() {
			missing = append(missing, j.of)
			findings = append(findings, v.finding(q))
		}
	}
	return missing, findings
}

func (v *prospect) finding(q int) Finding {
	f := Finding{For: v.judged[q].of, AnyOf: [][]Ask{}}
	enough := v.judged[q].enough()
	for i, r := range v.candidates {
		if v.withOne(q, i) <= enough {
			f.AnyOf = append(f.AnyOf, []Ask{r.ask()})
		}
	}
	if len(f.AnyOf) > 0 {
		return f
	}
	type pair struct {
		i, k int
		u    float64
	}
	var pairs []pair
	for i := range v.candidates {
		for k := i + 1; k < len(v.candidates); k++ {
			if u := v.withTwo(q, i, k); u <= enough {
				pairs = append(pairs, pair{i, k, u})
			}
		}
	}
	sort.SliceStable(pairs, func(a, b int) bool { return pairs[a].u < pairs[b].u })
	for _, p := range pairs[:min(len(pairs), mostPairs)] {
		f.AnyOf = append(f.AnyOf, []Ask{v.candidates[p.i].ask(), v.candidates[p.k].ask()})
	}
	return f
}

// clearlyBetter is how much less uncertainty a reading must leave to be preferred to one listed before it: the simpler
// ones come first.
const clearlyBetter = 0.02

// next is the further reading that helps most: the one that leaves the least uncertainty, relative to the limit, in
// the worst known of the quantities that are not settled.
func (c *Case) next(w *workbench, a *assessment) *Ask {
	v := c.prospect(w, a)
	best, found := -1, math.Inf(1)
	for i := range v.candidates {
		worst := 0.0
		for q, j := range v.judged {
			if a.judged[q].conformance() < metrology.RequiredConformance {
				worst = max(worst, v.withOne(q, i)/j.t)
			}
		}
		if worst < found*(1-clearlyBetter) {
			best, found = i, worst
		}
	}
	if best < 0 {
		return nil
	}
	ask := v.candidates[best].ask()
	return &ask
}
