package vehicle

import (
	"fmt"
	"math"

	"readback/internal/fault"
	"readback/internal/strict"
)

// Side is to which side of the car an angle counts as positive, as seen seated facing forward.
type Side string

// The two sides. Both signs of the thrust angle are published, so a stated one always comes with its own.
const (
	ToLeft  Side = "left"
	ToRight Side = "right"
)

// Thrust is a thrust angle as a wheel aligner states it.
type Thrust struct {
	Udeg     int64 `json:"udeg"`
	Positive Side  `json:"positive"`
}

// toRight is the angle in the one sign that is used here.
func (t Thrust) toRight() int64 {
	if t.Positive == ToLeft {
		return -t.Udeg
	}
	return t.Udeg
}

// mostThrust is the largest thrust angle that two rear toes in range can make, in microdegrees.
const mostThrust = mostToe

// ReadThrust reads {"udeg", "positive"}. Faults wait in o.
func ReadThrust(o *strict.Object) Thrust {
	return Thrust{Udeg: o.Int("udeg", -mostThrust, mostThrust), Positive: Side(o.Enum("positive", string(ToLeft), string(ToRight)))}
}

// ThrustSlackUdeg is how far a stated thrust angle may be from what the rear toes give: figures printed to a minute or a
// hundredth of a degree, all three rounded, can differ by one unit of the last place, which is 1/60° at the most.
const ThrustSlackUdeg = 20_000

// Contradiction says in words how a stated thrust angle contradicts the rear toes, or "" if it does not.
func (t RearToe) Contradiction(stated Thrust) string { return t.contradiction(stated, ThrustSlackUdeg) }

func (t RearToe) contradiction(stated Thrust, slackUdeg float64) string {
	own, said := t.ThrustUdeg(), stated.toRight()
	near := func(v int64) bool { return math.Abs(float64(own-v)) <= slackUdeg }
	if near(said) {
		return ""
	}
	why := fmt.Sprintf("a thrust angle that agrees with the rear toes: half of left (%s) minus right (%s) is %s; stated is %s",
		degrees(t.Left), degrees(t.Right), sided(own), sided(said))
	if near(-said) {
		why += ". With the other sign it would agree: look which side this aligner counts as positive"
	}
	return why
}

// sided writes an angle with the side it points to.
func sided(toRight int64) string {
	switch {
	case toRight > 0:
		return degrees(toRight) + " to the right"
	case toRight < 0:
		return degrees(-toRight) + " to the left"
	}
	return "0°"
}

func contradicts(name, why string) error {
	return fault.New(fault.InvalidInput, "The stated thrust angle and the rear toes contradict each other.", fault.Field{Name: name, Want: why})
}
