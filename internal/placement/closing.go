package placement

import "readback/internal/adjust"

// knock is how far a fixture may be moved by accident: standard deviations about where it was found.
var knock = pose{20, 20, 2, 1, 0.2, 0.2, 20}

// closing judges the readings taken after freezing. The readings of the case gave within.
func (c *Case) closing(w *workbench, a *assessment) *Closing {
	with := make([]Reading, 0, len(c.Readings)+len(c.Closing))
	with = append(append(with, c.Readings...), c.Closing...)
	verdict := Moved
	if w.solve(c.network(a.scene, with, nobody)).verdict() == Within {
		verdict = Held
	}
	return &Closing{Verdict: verdict, Sees: c.sees(w, a)}
}

// sees lists the judged quantities in which the closing readings alone would show a knock: known to the limit or
// better afterwards, and at least twice as well as without them.
func (c *Case) sees(w *workbench, a *assessment) []Judged {
	p := a.pose(a.X)
	after := w.at(knocked(c.network(a.scene, c.Closing, nobody)), p)
	before := w.at(knocked(c.network(a.scene, nil, nobody)), p)
	all := []Judged{}
	for i, j := range after.judged {
		if j.u <= j.t && j.u <= before.judged[i].u/2 {
			all = append(all, j.of)
		}
	}
	return all
}

// knocked gives the unknown parts of the pose the priors of a knock.
func knocked(n *network) *network {
	for i, col := range n.column {
		if col >= 0 {
			n.Unknowns[col] = adjust.Unknown{Start: n.Unknowns[col].Start, Prior: knock[i]}
		}
	}
	return n
}
