package vehicle

import "readback/internal/strict"

// Steering is the side of the steering wheel, as seen seated facing forward.
type Steering string

// The two sides.
const (
	SteeringLeft  Steering = "left"
	SteeringRight Steering = "right"
)

// When is whether figures or codes were taken before the work or after it.
type When string

// Before and after.
const (
	Before When = "before"
	After  When = "after"
)

// Alignment is what a wheel aligner gave, per wheel. The rear toe is always there, because the thrust angle follows from
// it; the rest is absent where the aligner gave none.
type Alignment struct {
	FrontLeft  Wheel `json:"front_left,omitzero"`
	FrontRight Wheel `json:"front_right,omitzero"`
	RearLeft   Wheel `json:"rear_left"`
	RearRight  Wheel `json:"rear_right"`
}

// Wheel is one wheel's figures in microdegrees: toe positive when the front of the wheel points inwards, camber positive
// when its top leans outwards, caster positive when the steering axis leans backwards at the top.
type Wheel struct {
	ToeUdeg    *int64 `json:"toe_udeg,omitempty"`
	CamberUdeg *int64 `json:"camber_udeg,omitempty"`
	CasterUdeg *int64 `json:"caster_udeg,omitempty"`
}

// The largest figures a car on its wheels can have, in microdegrees.
const (
	mostToe    = 5_000_000
	mostCamber = 15_000_000
	mostCaster = 20_000_000
)

// ReadAlignment reads {"front_left": {"toe_udeg", "camber_udeg", "caster_udeg"}, …}. Faults wait in o.
func ReadAlignment(o *strict.Object) Alignment {
	a := Alignment{FrontLeft: readFront(o, "front_left"), FrontRight: readFront(o, "front_right")}
	a.RearLeft, a.RearRight = readRear(o.Object("rear_left")), readRear(o.Object("rear_right"))
	return a
}

func readFront(o *strict.Object, key string) Wheel {
	w, there := o.OptObject(key)
	if !there {
		return Wheel{}
	}
	return Wheel{
		ToeUdeg:    angle(w, "toe_udeg", mostToe),
		CamberUdeg: angle(w, "camber_udeg", mostCamber),
		CasterUdeg: angle(w, "caster_udeg", mostCaster),
	}
}

// readRear has no caster: a rear wheel has no steering axis that anyone measures.
func readRear(w *strict.Object) Wheel {
	toe := w.Int("toe_udeg", -mostToe, mostToe)
	return Wheel{ToeUdeg: &toe, CamberUdeg: angle(w, "camber_udeg", mostCamber)}
}

func angle(o *strict.Object, key string, most int64) *int64 {
	if v, there := o.OptInt(key, -most, most); there {
		return &v
	}
	return nil
}

// RearToe is the toe of each rear wheel in microdegrees, toe-in positive: what the geometry needs of an alignment.
type RearToe struct {
	Left  int64 `json:"left"`
	Right int64 `json:"right"`
}

// RearToe gives the rear toe of an alignment that ReadAlignment accepted.
func (a Alignment) RearToe() RearToe {
	return RearToe{Left: *a.RearLeft.ToeUdeg, Right: *a.RearRight.ToeUdeg}
}

// ThrustUdeg is the thrust angle in microdegrees, positive to the right: half of left minus right. The opposite sign is
// published too (positive to the left, as yaw is). Half a microdegree is rounded away from zero, so that the mirror
// image of an alignment has the mirrored angle.
func (t RearToe) ThrustUdeg() int64 {
	d := t.Left - t.Right
	if d%2 == 0 {
		return d / 2
	}
	if d < 0 {
		return (d - 1) / 2
	}
	return (d + 1) / 2
}
