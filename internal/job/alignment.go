package job

import (
	"encoding/json"
	"fmt"

	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// Alignment is a wheel alignment as attached, angles in microdegrees.
type Alignment struct {
	Seq              uint64            `json:"seq"` // of its entry
	When             vehicle.When      `json:"when"`
	Wheels           vehicle.Alignment `json:"wheels"`
	SteeringZeroDone bool              `json:"steering_zero_done"` // the steering angle's zero was set with it
	ThrustUdeg       int64             `json:"thrust_udeg"`        // positive to the right
	// Stated is the thrust angle as the aligner gave it, in its own sign. It agrees with the rear toes, else the alignment
	// would have been refused.
	Stated *vehicle.Thrust `json:"stated_thrust,omitempty"`
}

// attachment is the data of attach-alignment.
type attachment struct {
	When             vehicle.When      `json:"when"`
	Wheels           vehicle.Alignment `json:"wheels"`
	SteeringZeroDone bool              `json:"steering_zero_done"`
	Stated           *vehicle.Thrust   `json:"stated_thrust,omitempty"`
}

func readWhen(o *strict.Object) vehicle.When {
	return vehicle.When(o.Enum("when", string(vehicle.Before), string(vehicle.After)))
}

func readAlignment(o *strict.Object) any {
	a := attachment{When: readWhen(o), Wheels: vehicle.ReadAlignment(o.Object("wheels")), SteeringZeroDone: o.Bool("steering_zero_done")}
	if in, there := o.OptObject("stated_thrust"); there {
		stated := vehicle.ReadThrust(in)
		a.Stated = &stated
		if why := a.Wheels.RearToe().Contradiction(stated); why != "" && stated.Positive != "" {
			o.Reject("stated_thrust", why)
		}
	}
	return a
}

type thrust struct {
	ThrustUdeg int64 `json:"thrust_udeg"`
}

func decideAlignment(cmd stream.Command) (any, error) {
	a, err := stream.DecodeData[attachment](cmd)
	if err != nil {
		return nil, err
	}
	return thrust{a.Wheels.RearToe().ThrustUdeg()}, nil
}

func attachAlignment(s *State, e stream.Entry) error {
	a, err := stream.DecodeData[attachment](e.Command)
	if err != nil {
		return err
	}
	var d thrust
	if err := json.Unmarshal(e.Decided, &d); err != nil {
		return fmt.Errorf("read what %s decided: %w", e.Type, err)
	}
	s.alignments = appended(s.alignments, Alignment{
		Seq: e.Seq, When: a.When, Wheels: a.Wheels, SteeringZeroDone: a.SteeringZeroDone, ThrustUdeg: d.ThrustUdeg, Stated: a.Stated,
	})
	return nil
}

// Alignment is the one that counts: the newest taken after the work, else the newest before; false if there is none.
func (s *State) Alignment() (Alignment, bool) {
	for _, when := range []vehicle.When{vehicle.After, vehicle.Before} {
		for i := len(s.alignments) - 1; i >= 0; i-- {
			if s.alignments[i].When == when {
				return s.alignments[i], true
			}
		}
	}
	return Alignment{}, false
}
