// Package geom holds the little geometry the rest stands on: vectors, rotations and planes in a right-handed frame,
// x forward, y left, z up, as ISO 8855 for a vehicle. Lengths are in whatever unit the caller uses throughout; angles
// are in degrees where the name says Deg. Values are copied and nothing is kept.
package geom

import "math"

// Radian is one degree in radians.
const Radian = math.Pi / 180

// Vec is a point or a direction.
type Vec struct{ X, Y, Z float64 }

// Add is v + w.
func (v Vec) Add(w Vec) Vec { return Vec{v.X + w.X, v.Y + w.Y, v.Z + w.Z} }

// Sub is v − w.
func (v Vec) Sub(w Vec) Vec { return Vec{v.X - w.X, v.Y - w.Y, v.Z - w.Z} }

// Times is k·v.
func (v Vec) Times(k float64) Vec { return Vec{k * v.X, k * v.Y, k * v.Z} }

// Dot is the inner product.
func (v Vec) Dot(w Vec) float64 { return v.X*w.X + v.Y*w.Y + v.Z*w.Z }

// Cross is the vector product v × w.
func (v Vec) Cross(w Vec) Vec {
	return Vec{v.Y*w.Z - v.Z*w.Y, v.Z*w.X - v.X*w.Z, v.X*w.Y - v.Y*w.X}
}

// Length is the Euclidean norm.
func (v Vec) Length() float64 { return math.Sqrt(v.Dot(v)) }

// Plan is v with its height taken off.
func (v Vec) Plan() Vec { return Vec{X: v.X, Y: v.Y} }

// Rotation is a rotation matrix by its columns: where the axes go.
type Rotation struct{ X, Y, Z Vec }

// Turn is Rz(yaw)·Ry(tilt)·Rx(roll), angles in degrees: roll about x first, then tilt about y, then yaw about z.
func Turn(yawDeg, tiltDeg, rollDeg float64) Rotation {
	sy, cy := math.Sincos(yawDeg * Radian)
	st, ct := math.Sincos(tiltDeg * Radian)
	sr, cr := math.Sincos(rollDeg * Radian)
	return Rotation{
		X: Vec{cy * ct, sy * ct, -st},
		Y: Vec{cy*st*sr - sy*cr, sy*st*sr + cy*cr, ct * sr},
		Z: Vec{cy*st*cr + sy*sr, sy*st*cr - cy*sr, ct * cr},
	}
}

// Apply turns v.
func (r Rotation) Apply(v Vec) Vec {
	return r.X.Times(v.X).Add(r.Y.Times(v.Y)).Add(r.Z.Times(v.Z))
}

// Wrap brings an angle in degrees into (−180, 180].
func Wrap(deg float64) float64 {
	deg = math.Mod(deg, 360)
	switch {
	case deg > 180:
		return deg - 360
	case deg <= -180:
		return deg + 360
	}
	return deg
}

// Plane is z = A + B·x + C·y.
type Plane struct{ A, B, C float64 }

// FitPlane is the least-squares plane in z through three or more points. Where their plan positions lie on one line,
// the plane is level through their mean.
func FitPlane(points []Vec) Plane {
	var mean Vec
	for _, p := range points {
		mean = mean.Add(p.Times(1 / float64(len(points))))
	}
	var xx, xy, yy, xz, yz float64
	for _, p := range points {
		d := p.Sub(mean)
		xx += d.X * d.X
		xy += d.X * d.Y
		yy += d.Y * d.Y
		xz += d.X * d.Z
		yz += d.Y * d.Z
	}
	det := xx*yy - xy*xy
	if det <= 1e-12*xx*yy {
		return Plane{A: mean.Z}
	}
	b := (yy*xz - xy*yz) / det
	c := (xx*yz - xy*xz) / det
	return Plane{A: mean.Z - b*mean.X - c*mean.Y, B: b, C: c}
}

// At is the plane's height above (x, y).
func (p Plane) At(x, y float64) float64 { return p.A + p.B*x + p.C*y }

// RollDeg is the plane's roll: positive with the left side up.
func (p Plane) RollDeg() float64 { return math.Atan(p.C) / Radian }

// TiltDeg is the plane's tilt: positive when its normal leans forward, so when it falls forward.
func (p Plane) TiltDeg() float64 { return -math.Atan(p.B) / Radian }

// Foot is where a plumb line from v meets the floor, for a v given in the frame of the plane of the floor: gravity is
// not its z axis unless the floor is level.
func (p Plane) Foot(v Vec) Vec { return Vec{X: v.X - p.B*v.Z, Y: v.Y - p.C*v.Z} }
