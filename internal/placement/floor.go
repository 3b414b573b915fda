package placement

import (
	"encoding/json"

	"readback/internal/geom"
	"readback/internal/strict"
)

// Floor is a survey of the bay's floor against gravity level: its height under each wheel and at the fixture.
type Floor struct {
	WheelsMM  Wheels  `json:"wheels_mm"`
	FixtureMM float64 `json:"fixture_mm"`
}

// Wheels is the height of the floor under each wheel.
type Wheels struct {
	FrontLeft  float64 `json:"front_left"`
	FrontRight float64 `json:"front_right"`
	RearLeft   float64 `json:"rear_left"`
	RearRight  float64 `json:"rear_right"`
}

// DecodeFloor reads a floor survey on its own.
func DecodeFloor(raw json.RawMessage, path string) (Floor, error) {
	return decode(raw, path, readFloor)
}

func readFloor(o *strict.Object) Floor {
	height := strict.Range{Min: -500, Max: 500, Unit: "mm"}
	w := o.Object("wheels_mm")
	return Floor{
		WheelsMM: Wheels{
			FrontLeft:  w.Float("front_left", height),
			FrontRight: w.Float("front_right", height),
			RearLeft:   w.Float("rear_left", height),
			RearRight:  w.Float("rear_right", height),
		},
		FixtureMM: o.Float("fixture_mm", height),
	}
}

// plane is the least-squares plane through the four wheel heights; without a survey it is level.
func (f *Floor) plane(v Vehicle) geom.Plane {
	if f == nil {
		return geom.Plane{}
	}
	front, rear := v.FrontTrackMM/2, v.RearTrackMM/2
	return geom.FitPlane([]geom.Vec{
		{X: v.WheelbaseMM, Y: front, Z: f.WheelsMM.FrontLeft},
		{X: v.WheelbaseMM, Y: -front, Z: f.WheelsMM.FrontRight},
		{Y: rear, Z: f.WheelsMM.RearLeft},
		{Y: -rear, Z: f.WheelsMM.RearRight},
	})
}

// step is how far the floor at the fixture lies above the plane of the wheels.
func (f *Floor) step(plane geom.Plane, origin geom.Vec) float64 {
	if f == nil {
		return 0
	}
	return f.FixtureMM - plane.At(origin.X, origin.Y)
}
