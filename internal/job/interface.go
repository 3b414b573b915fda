package job

import (
	"encoding/json"
	"fmt"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// What a vehicle interface may say in a job.

// ReadCar reads from o what announce-vehicle takes of a car. It gives the VIN, and all of it as a sender writes it. What is
// wrong is rejected in o, which the caller closes.
func ReadCar(o *strict.Object) (vin string, data json.RawMessage, err error) {
	car := readAnnouncement(o).(announcing)
	if car.VIN == nil {
		return "", nil, nil // said already
	}
	if err := json.Unmarshal(car.VIN, &vin); err != nil {
		return "", nil, fmt.Errorf("read a VIN: %w", err)
	}
	data, err = json.Marshal(struct {
		VIN       json.RawMessage `json:"vin"`
		Plate     json.RawMessage `json:"plate,omitempty"`
		MileageKM *int64          `json:"mileage_km,omitempty"`
	}{car.VIN, car.Plate, car.MileageKM})
	return vin, data, err
}

// onlyCar is the guard that an interface says of a car what can be read from one.
func onlyCar(_ *State, _ stream.Actor, cmd stream.Command) error {
	data, err := stream.DecodeData[map[string]json.RawMessage](cmd)
	if err != nil {
		return err
	}
	const why = "A vehicle interface opens a job with the car's VIN, and with its plate and mileage if it knows them."
	if _, there := data["vin"]; !there {
		return notMet("only-car", why)
	}
	for key := range data {
		switch key {
		case "vin", "vin_mark", "vin_check", "model_year", "plate", "mileage_km":
		default:
			return notMet("only-car", why)
		}
	}
	return nil
}

// itsJob is the guard that an interface announces where a person put it, or where the VIN is the same. Any other job would
// be guessed.
func itsJob(s *State, actor stream.Actor, cmd stream.Command) error {
	d, err := stream.DecodeData[announcing](cmd)
	if err != nil {
		return err
	}
	tied := s.tie != nil && s.tie.Interface == actor.Member
	same := d.VINMark != nil && *d.VINMark != "" && *d.VINMark == s.vinMark
	if !tied && !same {
		return notMet("its-job", "A vehicle interface announces in a job that it is tied to, or whose VIN it gives.")
	}
	return nil
}

// interfaceActive reports whether the register holds it as a vehicle interface in use. What has instruments is a gateway,
// which is in no car.
func interfaceActive(actor stream.Actor, id stream.ID, facts stream.Facts) bool {
	i, ok := fact[struct {
		Instruments []stream.ID `json:"instruments"`
		Active      bool        `json:"active"`
	}](facts, interfaceKey(actor, id))
	return ok && i.Active && len(i.Instruments) == 0
}

// plugged is the guard that the sending interface is in use by the shop's register: the entry keeps the register's word.
func plugged(actor stream.Actor, facts stream.Facts) error {
	if !interfaceActive(actor, actor.Member, facts) {
		return notMet("interface-in-use", "This vehicle interface is not in use any more by the shop's register.")
	}
	return nil
}

func notForDevices() error {
	return fault.New(fault.NotYourRole, "A vehicle interface opens jobs and announces cars, and nothing else.")
}
