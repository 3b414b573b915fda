package placement

import (
	"encoding/json"

	"readback/internal/geom"
	"readback/internal/strict"
)

// Vehicle is what the network must know of the car: a dimension sheet and the rear toe of its alignment.
type Vehicle struct {
	WheelbaseMM     float64   `json:"wheelbase_mm"`
	FrontTrackMM    float64   `json:"front_track_mm"`
	RearTrackMM     float64   `json:"rear_track_mm"`
	FrontOverhangMM float64   `json:"front_overhang_mm"`
	RearOverhangMM  float64   `json:"rear_overhang_mm"`
	HubHeightMM     HubHeight `json:"hub_height_mm"`
	RearToeDeg      *RearToe  `json:"rear_toe_deg,omitempty"` // needed for the thrust line only
}

// HubHeight is the height of the hub centres above the plane of the tyre contact points.
type HubHeight struct {
	Front float64 `json:"front"`
	Rear  float64 `json:"rear"`
}

// RearToe is the toe of each rear wheel, toe-in positive.
type RearToe struct {
	Left  float64 `json:"left"`
	Right float64 `json:"right"`
}

// ThrustDeg is the thrust angle, positive when the rear wheels point to the right.
func (t RearToe) ThrustDeg() float64 { return (t.Left - t.Right) / 2 }

// DecodeVehicle reads a vehicle on its own.
func DecodeVehicle(raw json.RawMessage, path string) (Vehicle, error) {
	return decode(raw, path, readVehicle)
}

func readVehicle(o *strict.Object) Vehicle {
	track := strict.Range{Min: 500, Max: 3500, Unit: "mm"}
	overhang := strict.Range{Min: 0, Max: 5000, Unit: "mm"}
	hub := strict.Range{Min: 50, Max: 1500, Unit: "mm"}
	v := Vehicle{
		WheelbaseMM:     o.Float("wheelbase_mm", strict.Range{Min: 800, Max: 10000, Unit: "mm"}),
		FrontTrackMM:    o.Float("front_track_mm", track),
		RearTrackMM:     o.Float("rear_track_mm", track),
		FrontOverhangMM: o.Float("front_overhang_mm", overhang),
		RearOverhangMM:  o.Float("rear_overhang_mm", overhang),
	}
	heights := o.Object("hub_height_mm")
	v.HubHeightMM = HubHeight{Front: heights.Float("front", hub), Rear: heights.Float("rear", hub)}
	if toe, there := o.OptObject("rear_toe_deg"); there {
		angle := strict.Range{Min: -5, Max: 5, Unit: "degrees, toe-in positive"}
		v.RearToeDeg = &RearToe{Left: toe.Float("left", angle), Right: toe.Float("right", angle)}
	}
	return v
}

// The points of the vehicle that a span may start from.
const (
	FrontLeftHub  = "front-left-hub"
	FrontRightHub = "front-right-hub"
	RearLeftHub   = "rear-left-hub"
	RearRightHub  = "rear-right-hub"
	Datum         = "datum"
)

var startPoints = []string{FrontLeftHub, FrontRightHub, RearLeftHub, RearRightHub, Datum}

// Hub gives the centre of a hub in the vehicle frame.
func (v Vehicle) Hub(name string) (geom.Vec, bool) {
	front := geom.Vec{X: v.WheelbaseMM, Y: v.FrontTrackMM / 2, Z: v.HubHeightMM.Front}
	rear := geom.Vec{Y: v.RearTrackMM / 2, Z: v.HubHeightMM.Rear}
	switch name {
	case FrontLeftHub:
		return front, true
	case FrontRightHub:
		front.Y = -front.Y
		return front, true
	case RearLeftHub:
		return rear, true
	case RearRightHub:
		rear.Y = -rear.Y
		return rear, true
	}
	return geom.Vec{}, false
}
