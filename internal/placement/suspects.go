package placement

import (
	"math"

	"readback/internal/adjust"
)

// suspects leaves each checked reading out in turn. Those whose absence mends the contradiction, and mends it about as
// well as the best, are suspects, in the order of the readings. Where the full network did not settle, every reading
// whose absence lets it settle is tried.
func (c *Case) suspects(w *workbench, a *assessment) []Suspect {
	type attempt struct {
		Suspect
		chiSquare float64
	}
	var attempts []attempt
	best := math.Inf(1)
	var without adjust.Solution
	for i := range a.taken {
		if a.Settled && a.Redundancy[i] < adjust.LeastRedundancy {
			continue
		}
		w.solver.Estimate(&without, &a.Network, i)
		if without.Settled {
			attempts = append(attempts, attempt{Suspect{i, without.Residual[i]}, without.ChiSquare})
			best = min(best, without.ChiSquare)
		}
	}
	all := []Suspect{}
	for _, t := range attempts {
		if t.chiSquare <= best+suspectNear && (!a.Settled || t.chiSquare <= a.ChiSquare-largestW2) {
			all = append(all, t.Suspect)
		}
	}
	return all
}

// shared looks for one instrument whose readings share an error: leaving its common part open must mend the
// contradiction, and no other instrument may explain it nearly as well.
func (c *Case) shared(w *workbench, a *assessment) *Shared {
	if !a.Settled {
		return &Shared{}
	}
	type attempt struct {
		name      string
		chiSquare float64
		mends     bool
	}
	var best, second *attempt
	for _, name := range c.instrumentsUsedTwice() {
		open := w.solve(c.network(a.scene, c.Readings, name))
		if !open.Settled || open.ChiSquare > a.ChiSquare-largestW2 {
			continue
		}
		t := &attempt{name, open.ChiSquare, !exceeds(open.ChiSquare, open.degrees())}
		if best == nil || t.chiSquare < best.chiSquare {
			best, second = t, best
		} else if second == nil || t.chiSquare < second.chiSquare {
			second = t
		}
	}
	if best == nil || !best.mends || second != nil && second.chiSquare <= best.chiSquare+suspectNear {
		return &Shared{}
	}
	return &Shared{Instrument: best.name}
}

// instrumentsUsedTwice lists, in the order of first use, the instruments with at least two readings.
func (c *Case) instrumentsUsedTwice() []string {
	count := make(map[string]int)
	var names []string
	for _, r := range c.Readings {
		if count[r.Instrument]++; count[r.Instrument] == 2 {
			names = append(names, r.Instrument)
		}
	}
	return names
}
