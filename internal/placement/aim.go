package placement

import (
	"math"

	"readback/internal/geom"
)

// at100M is 100 m in mm.
const at100M = 1e5

// aim is the effect of the target standing where it does instead of where it should, or nil where the sensor's place
// is not stated. Turning counter-clockwise goes to the left ahead of the car and to the right behind it.
func (s *scene) aim(target geom.Vec) *AimEffect {
	if s.sensor == nil {
		return nil
	}
	azimuth := geom.Wrap(s.azimuth(target) - s.azimuth(s.target))
	elevation := s.elevation(target) - s.elevation(s.target)
	return &AimEffect{
		AzimuthDeg: azimuth, ElevationDeg: elevation,
		At100MLeftMM: s.side * at100M * math.Tan(azimuth*geom.Radian),
		At100MUpMM:   at100M * math.Tan(elevation*geom.Radian),
	}
}
