package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// The physical world of the demo: a car that stands still, a board that somebody puts somewhere, and instruments that
// read with noise. It is written from the drawing, apart from the package that checks readings, so that the one tests the
// other. Millimetres and radians inside; x forward, y left, z up from the point between the rear hubs on the floor.

type vec struct{ x, y, z float64 }

func (a vec) sub(b vec) vec     { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) add(b vec) vec     { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) dot(b vec) float64 { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) long() float64     { return math.Sqrt(a.dot(a)) }

const degree = math.Pi / 180

// car is the car as it really is.
type car struct {
	wheelbase, frontTrack, rearTrack float64
	frontOverhang                    float64
	hubFront, hubRear                float64 // heights of the hub centres
	thrust                           float64 // radians, positive to the right
}

func (c car) hub(name string) vec {
	switch name {
	case "front-left-hub":
		return vec{c.wheelbase, c.frontTrack / 2, c.hubFront}
	case "front-right-hub":
		return vec{c.wheelbase, -c.frontTrack / 2, c.hubFront}
	case "rear-left-hub":
		return vec{0, c.rearTrack / 2, c.hubRear}
	case "rear-right-hub":
		return vec{0, -c.rearTrack / 2, c.hubRear}
	}
	panic("demo: no hub " + name)
}

// along and across are the unit vectors of the line the car runs on, in plan.
func (c car) along() vec  { return vec{math.Cos(c.thrust), -math.Sin(c.thrust), 0} }
func (c car) across() vec { return vec{math.Sin(c.thrust), math.Cos(c.thrust), 0} }

// board is where the board stands: its middle, turned by yaw (left end towards the car), roll (left end up) and tilt (top
// away from the car).
type board struct {
	middle          vec
	yaw, roll, tilt float64
	halfWidth       float64
}

// turn is the rotation about z, y and x in that order, applied to a vector of the board's own axes.
func (b board) turn(v vec) vec {
	sr, cr := math.Sincos(b.roll)
	v = vec{v.x, v.y*cr - v.z*sr, v.y*sr + v.z*cr}
	st, ct := math.Sincos(b.tilt)
	v = vec{v.x*ct + v.z*st, v.y, -v.x*st + v.z*ct}
	sy, cy := math.Sincos(b.yaw)
	return vec{v.x*cy - v.y*sy, v.x*sy + v.y*cy, v.z}
}

func (b board) end(name string) vec {
	side := b.halfWidth
	if name == "right-end" {
		side = -side
	}
	return b.middle.add(b.turn(vec{0, side, 0}))
}

// floor is the bay's floor: the plane under the wheels (z = a + bx + cy against gravity) and the floor's height where
// the fixture stands, against gravity too.
type floor struct{ a, b, c, fixture float64 }

// under is how far the floor under a point at the fixture is above the plane of the wheels.
func (f floor) under(p vec) float64 { return f.fixture - (f.a + f.b*p.x + f.c*p.y) }

// floorOf fits the plane to the wheels by least squares: each axle's mean and the tracks give it in closed form.
func floorOf(c car, wheels map[string]float64, fixture float64) floor {
	front := (wheels["front_left"] + wheels["front_right"]) / 2
	rear := (wheels["rear_left"] + wheels["rear_right"]) / 2
	f := floor{a: rear, b: (front - rear) / c.wheelbase, fixture: fixture}
	yf, yr := c.frontTrack/2, c.rearTrack/2
	f.c = (yf*(wheels["front_left"]-wheels["front_right"]) + yr*(wheels["rear_left"]-wheels["rear_right"])) / (2 * (yf*yf + yr*yr))
	return f
}

// rig is the bay: the truth and the instruments.
type rig struct {
	car   car
	datum vec
	floor floor
	board board
	noise *rand.Rand
}

// kit are the demo's instruments: standard uncertainties in mm or degrees, and the steps their scales are read in.
var kit = map[string]struct{ uncertainty, pointing, step float64 }{
	"laser": {0.6, 0.4, 0.1},
	"tape":  {0.4, 0.6, 0.1},
	"rule":  {0.7, 0, 0.1},
	"level": {0.04, 0, 0.01},
}

// ask is one reading to be taken.
type ask struct{ quantity, from, to, instrument string }

func (a ask) String() string {
	switch a.quantity {
	case "span":
		return fmt.Sprintf("span %s to %s", a.from, a.to)
	case "end-height":
		return "height of the " + a.to
	}
	return a.quantity
}

// truth is what a perfect instrument would read, in mm or degrees.
func (r *rig) truth(a ask) float64 {
	b, e := r.board, r.car.along()
	switch a.quantity {
	case "datum-distance": // along the line of travel from the datum to the board's face
		face := b.turn(vec{1, 0, 0})
		return face.dot(b.middle.sub(r.datum)) / face.dot(e)
	case "span":
		from := r.datum
		if a.from != "datum" {
			from = r.car.hub(a.from)
		}
		return b.end(a.to).sub(from).long()
	case "height":
		return b.middle.z - r.floor.under(b.middle)
	case "end-height":
		return b.end(a.to).z - r.floor.under(b.middle)
	case "level":
		return (b.roll + math.Atan(r.floor.c)) / degree
	case "tilt":
		return (b.tilt - math.Atan(r.floor.b)) / degree
	case "yaw":
		return (b.yaw + r.car.thrust) / degree
	case "centre-offset":
		return r.car.across().dot(b.middle)
	}
	panic("demo: no quantity " + a.quantity)
}

// read is what the technician's instrument shows. An instrument in date errs within its limits, anywhere in them alike
// (limits are √3 standard uncertainties away); a pointing errs less often the farther (triangular, √6 away): the usual
// distributions of GUM (JCGM 100) 4.3.7 and 4.3.9.
func (r *rig) read(a ask) float64 {
	k := kit[a.instrument]
	even := func(limit float64) float64 { return (2*r.noise.Float64() - 1) * limit }
	v := r.truth(a) + even(k.uncertainty*math.Sqrt(3))
	if a.quantity == "span" { // its ends are pointed at
		half := k.pointing * math.Sqrt(6) / 2
		v += even(half) + even(half)
	}
	return math.Round(v/k.step) * k.step
}

// misread swaps two neighbouring digits of a tape reading, so that it is off by more than least millimetres.
func misread(value, least float64) float64 {
	digits := []byte(fmt.Sprintf("%.0f", math.Floor(value)))
	best := value + 100 // all digits alike: one hundred too many
	for i := len(digits) - 2; i >= 0; i-- {
		swapped := append([]byte(nil), digits...)
		swapped[i], swapped[i+1] = swapped[i+1], swapped[i]
		var n float64
		fmt.Sscanf(string(swapped), "%f", &n)
		n += value - math.Floor(value)
		if off := math.Abs(n - value); off >= least && off <= 400 {
			return n
		}
	}
	return best
}

// do moves the board as told, as well as hands can: about half a millimetre and two hundredths of a degree.
func (r *rig) do(m move) {
	mm := float64(m.ByUM)/1000 + r.noise.NormFloat64()*0.4
	angle := (float64(m.ByUdeg)/1e6 + r.noise.NormFloat64()*0.015) * degree
	b := &r.board
	step := func(d vec, by float64) { b.middle = b.middle.add(vec{d.x * by, d.y * by, d.z * by}) }
	switch m.Move + " " + m.To + m.LeftEnd + m.Top {
	case "turn towards-car":
		b.yaw += angle
	case "turn away":
		b.yaw -= angle
	case "roll up":
		b.roll += angle
	case "roll down":
		b.roll -= angle
	case "tilt away":
		b.tilt += angle
	case "tilt towards-car":
		b.tilt -= angle
	case "shift away":
		step(r.car.along(), mm)
	case "shift towards-car":
		step(r.car.along(), -mm)
	case "shift left":
		step(r.car.across(), mm)
	case "shift right":
		step(r.car.across(), -mm)
	case "shift up":
		step(vec{0, 0, 1}, mm)
	case "shift down":
		step(vec{0, 0, 1}, -mm)
	default:
		panic("demo: no move " + m.Move)
	}
}

// place puts the board square to a line through the rear axle's middle that has the given yaw, at the distance from
// the datum and the lateral (left positive) along that line, as well as a careful first try does.
func (r *rig) place(lineYaw, distance, lateral, height float64) {
	e := vec{math.Cos(lineYaw), math.Sin(lineYaw), 0}
	n := vec{-e.y, e.x, 0}
	s := e.dot(r.datum) + distance
	rough := func(sd float64) float64 { return r.noise.NormFloat64() * sd }
	r.board.middle = vec{
		e.x*s + n.x*lateral + rough(0.7), e.y*s + n.y*lateral + rough(0.5), height + rough(0.7),
	}
	r.board.yaw = lineYaw + rough(0.02)*degree
	r.board.roll = rough(0.04) * degree
	r.board.tilt = rough(0.04) * degree
}
