package placement

import (
	"math"

	"readback/internal/geom"
	"readback/internal/metrology"
)

// judgement is one judged quantity at a pose: how far it is off and how well that is known.
type judgement struct {
	limit
	e float64 // deviation
	u float64 // its standard uncertainty
	g gradient
}

func (j judgement) conformance() float64 {
	return metrology.ConformanceBetween(j.e, j.u, j.lower, j.upper)
}

// unknown says that the readings do not find the quantity.
func (j judgement) unknown() bool { return !(j.u <= 3*j.t) }

// coarse says that no placement could conform with this uncertainty, or none near the nominal where one side is limited.
func (j judgement) coarse() bool { return j.u > j.enough() }

// out says that the quantity is off for certain, as far as its uncertainty allows.
func (j judgement) out() bool {
	if !(j.e > j.upper || j.e < j.lower) {
		return false
	}
	guard := metrology.OneSided * j.u
	return !j.coarse() || j.e >= j.upper+guard || j.e <= j.lower-guard
}

// judge gives the deviations at a pose, without their uncertainty.
func (s *scene) judge(dst []judgement, p pose) []judgement {
	dst = dst[:0]
	stand := s.stand(p)
	target := stand.mark(Target)
	off := target.at.Sub(s.target)
	for _, l := range s.limits {
		j := judgement{limit: l}
		switch l.of {
		case DistanceMM:
			away := s.along.Times(s.side)
			j.e, j.g = away.Dot(off), target.along(away)
		case LateralMM:
			j.e, j.g = s.across.Dot(off), target.along(s.across)
		case HeightMM:
			j.e, j.g = off.Z, target.along(up)
		case YawDeg:
			j.e, j.g = p[yaw], gradient{yaw: 1}
		case RollDeg:
			j.e, j.g = p[roll], gradient{roll: 1}
		case TiltDeg:
			j.e, j.g = p[tilt], gradient{tilt: 1}
		case RangeMM:
			r, g := distance(*s.sensor, target, geom.Vec.Plan)
			j.e, j.g = r-s.target.Sub(*s.sensor).Plan().Length(), g
		case AzimuthDeg:
			sight := target.at.Sub(*s.sensor).Plan()
			square := geom.Vec{X: -sight.Y, Y: sight.X}.Times(1 / (max(sight.Dot(sight), 1) * geom.Radian))
			j.e, j.g = geom.Wrap(s.azimuth(target.at)-s.azimuth(s.target)), target.along(square)
		}
		dst = append(dst, j)
	}
	return dst
}

// azimuth is the direction of a point seen from the sensor, counter-clockwise from the reference line.
func (s *scene) azimuth(p geom.Vec) float64 {
	d := p.Sub(*s.sensor)
	return math.Atan2(s.across.Dot(d), s.along.Dot(d)) / geom.Radian
}

// elevation is the direction of a point seen from the sensor, above its horizontal.
func (s *scene) elevation(p geom.Vec) float64 {
	d := p.Sub(*s.sensor)
	return math.Atan2(d.Z, d.Plan().Length()) / geom.Radian
}
