package placement

import (
	"math"

	"readback/internal/adjust"
	"readback/internal/geom"
)

// network is a set of readings of a scene as the adjustment sees it: which parts of the pose are unknown, the common
// parts of instruments as further unknowns, and the prediction of each reading. It is the adjust.Model.
type network struct {
	adjust.Network
	scene   *scene
	column  [unknowns]int // of each part of the pose, or −1 where it is held at its nominal value
	names   []string      // instruments whose common part is an unknown, in the order of their columns
	taken   []taken
	through func(geom.Vec) geom.Vec
}

// taken is a reading made ready for prediction.
type taken struct {
	quantity Quantity
	from     geom.Vec
	to       string
	plumbed  bool
	common   int // column of the instrument's common part, or −1
}

// Whose common part is left open: nobody's.
const nobody = ""

// network builds the network of the given readings, which belong to the case. Which parts of the pose are unknown
// depends on all readings of the case, so that it stays the same when one is left out. The common part of the
// instrument named loose, if any, is left as open as the pose is.
func (c *Case) network(s *scene, readings []Reading, loose string) *network {
	n := &network{scene: s}
	n.Model = n
	n.through = func(v geom.Vec) geom.Vec { return n.scene.plane.Foot(v) }
	known := c.known()
	for i := range n.column {
		n.column[i] = -1
		if !known[i] {
			n.column[i] = len(n.Unknowns)
			n.Unknowns = append(n.Unknowns, adjust.Unknown{Start: s.nominal[i], Prior: priors[i]})
		}
	}
	n.taken = make([]taken, 0, len(readings))
	n.Observations = make([]adjust.Observation, 0, len(readings))
	for _, r := range readings {
		n.add(c, r, loose)
	}
	return n
}

func (n *network) add(c *Case, r Reading, loose string) {
	instrument := c.Instruments[r.Instrument]
	t := taken{quantity: r.Quantity, to: r.To, plumbed: r.Plumbed, common: -1}
	if r.From != "" {
		t.from = c.start(n.scene, r.From)
	}
	if instrument.common() > 0 || r.Instrument == loose {
		t.common = n.commonOf(r.Instrument, instrument, r.Instrument == loose)
	}
	n.taken = append(n.taken, t)
	value, _ := r.Value()
	n.Observations = append(n.Observations, adjust.Observation{
		Value: value, Uncertainty: math.Hypot(instrument.uncertainty(), r.pointing())})
}

// commonOf gives the column of an instrument's common part, adding it at first use.
func (n *network) commonOf(name string, i Instrument, loose bool) int {
	first := len(n.Unknowns) - len(n.names)
	for k, known := range n.names {
		if known == name {
			return first + k
		}
	}
	u := adjust.Unknown{Prior: i.common(), Reading: true}
	if loose {
		u = adjust.Unknown{Prior: priorMM}
		if i.Unit() == Deg {
			u.Prior = priorDeg
		}
	}
	n.names = append(n.names, name)
	n.Unknowns = append(n.Unknowns, u)
	return len(n.Unknowns) - 1
}

// known says which parts of the pose are not estimated: for a reflector all but its origin, for a board the slide
// where nothing reads it and the tilt where nothing reads or judges it.
func (c *Case) known() [unknowns]bool {
	if c.Fixture.Kind == Reflector {
		return [unknowns]bool{yaw: true, roll: true, tilt: true, slide: true}
	}
	_, judged := c.Setup.Tolerance[TiltDeg]
	held := [unknowns]bool{tilt: !judged, slide: true}
	for _, readings := range [][]Reading{c.Readings, c.Closing} {
		for _, r := range readings {
			switch {
			case r.Quantity == Tilt:
				held[tilt] = false
			case r.Quantity == Slide, (r.Quantity == Span || r.Quantity == PlanSpan) && r.To == Target:
				held[slide] = false
			}
		}
	}
	return held
}

// pose gives the fixture's pose for a state of the unknowns.
func (n *network) pose(x []float64) pose {
	p := n.scene.nominal
	for i, col := range n.column {
		if col >= 0 {
			p[i] = x[col]
		}
	}
	return p
}

// state is the reverse of pose: the unknowns for a pose, common parts at 0.
func (n *network) state(p pose) []float64 {
	x := make([]float64, len(n.Unknowns))
	for i, col := range n.column {
		if col >= 0 {
			x[col] = p[i]
		}
	}
	return x
}

// spread writes the derivatives by the pose into dst, one for each unknown.
func (n *network) spread(dst []float64, g gradient) {
	clear(dst)
	for i, col := range n.column {
		if col >= 0 {
			dst[col] = g[i]
		}
	}
}

// Linearise predicts the readings at x.
func (n *network) Linearise(x, predicted, jacobian []float64) {
	s := n.scene.stand(n.pose(x))
	for i := range n.taken {
		t := &n.taken[i]
		value, g := n.predict(&s, t)
		row := jacobian[i*len(x) : (i+1)*len(x)]
		n.spread(row, g)
		if t.common >= 0 {
			value += x[t.common]
			row[t.common] = 1
		}
		predicted[i] = value
	}
}

// predict is a reading's value and its derivatives by the pose, its instrument's common part apart.
func (n *network) predict(s *standing, t *taken) (value float64, g gradient) {
	switch t.quantity {
	case DatumDistance:
		if s.scene.fixture.Kind == Board {
			return s.face()
		}
		p, away := s.mark(Target), s.scene.along.Times(s.scene.side)
		return away.Dot(p.at.Sub(s.scene.datum)), p.along(away)
	case Span:
		return distance(t.from, s.mark(t.to), func(v geom.Vec) geom.Vec { return v })
	case PlanSpan:
		if t.plumbed {
			return distance(t.from, s.mark(t.to), n.through)
		}
		return distance(t.from, s.mark(t.to), geom.Vec.Plan)
	case CentreOffset:
		at, across := s.pose.origin(), s.scene.across
		g = gradient{poseX: across.X, poseY: across.Y}
		if t.plumbed {
			at = s.scene.plane.Foot(at)
			g[poseZ] = -(across.X*s.scene.plane.B + across.Y*s.scene.plane.C)
		}
		return across.Dot(at), g
	case Yaw:
		return s.pose[yaw], gradient{yaw: 1}
	case Height:
		p := s.mark(Target)
		return p.at.Z - s.scene.stepMM, p.along(up)
	case EndHeight:
		p := s.mark(t.to)
		return p.at.Z - s.scene.stepMM, p.along(up)
	case Level:
		return s.pose[roll] + s.scene.plane.RollDeg(), gradient{roll: 1}
	case Tilt:
		return s.pose[tilt] + s.scene.plane.TiltDeg(), gradient{tilt: 1}
	case Slide:
		return s.pose[slide], gradient{slide: 1}
	}
	panic("placement: reading of no known quantity: " + string(t.quantity))
}
