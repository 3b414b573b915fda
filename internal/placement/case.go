// Package placement says where a target stands from what was measured, how well that is known, whether it is good
// enough for the limits entered, which reading is likely wrong, and what to move. It is a small survey network with
// the car's hubs and a datum as known points, solved by least squares.
//
// Frames and signs. The vehicle frame is x forward, y left, z up (as ISO 8855), its origin midway between the rear
// hubs on the plane of the four tyre contact points. Left and right are those of somebody seated facing forward,
// always. Yaw is positive counter-clockwise from above, roll positive with the left end up, tilt positive with the
// top leaning forward: R = Rz(yaw)·Ry(tilt)·Rx(roll). Toe-in is positive; the thrust angle is half of left rear toe
// minus right rear toe, positive to the right, so the thrust line has the yaw of minus that angle. A distance
// deviation is positive farther from the car, a lateral one positive left, azimuth positive counter-clockwise.
//
// Units are millimetres and degrees throughout, in names as MM and Deg. A standard uncertainty is one standard
// deviation; a limit T stands for ±T, and limits may be stated side by side as deviations from nominal.
//
// Everything here is a pure function of the case: the same case gives the same bytes on one machine. A Case and a
// Result may be shared between goroutines as long as nobody changes them.
package placement

import (
	"encoding/json"

	"readback/internal/strict"
)

// Case is everything a check is computed from. Its JSON form is the case file.
type Case struct {
	Vehicle     Vehicle               `json:"vehicle"`
	Floor       *Floor                `json:"floor,omitempty"` // nil: flat and level
	Setup       Setup                 `json:"setup"`
	Fixture     Fixture               `json:"fixture"`
	Instruments map[string]Instrument `json:"instruments"`
	Position    string                `json:"position,omitempty"` // the one of Setup.Positions being checked
	Readings    []Reading             `json:"readings"`
	Closing     []Reading             `json:"closing,omitempty"` // taken after the fixture was frozen
}

// How many of each a case may hold.
const (
	MaxInstruments = 24
	MaxPositions   = 24
	MaxReadings    = 60
	MaxClosing     = 12
	maxName        = 60
)

// DecodeCase reads a case file and validates it. Readings may lack their values, as when planning; Check asks for
// them. All faults found are in one *fault.Error.
func DecodeCase(raw []byte) (Case, error) {
	o := strict.Read(raw, "")
	c := Case{
		Vehicle: readVehicle(o.Object("vehicle")),
		Setup:   readSetup(o.Object("setup")),
		Fixture: readFixture(o.Object("fixture")),
	}
	if floor, there := o.OptObject("floor"); there {
		f := readFloor(floor)
		c.Floor = &f
	}
	instruments := o.Object("instruments")
	c.Instruments = make(map[string]Instrument)
	for name, each := range instruments.Members() {
		if !strict.Plain(name, maxName) || len(c.Instruments) == MaxInstruments {
			instruments.Reject(name, "at most 24 instruments, named in 1 to 60 characters")
			each.Ignore()
			continue
		}
		c.Instruments[name] = readInstrument(each)
	}
	c.Position = o.OptString("position", maxName)
	c.Readings = readReadings(o.Objects("readings", 0, MaxReadings))
	c.Closing = readReadings(o.OptObjects("closing", 0, MaxClosing))
	if err := o.Close(); err != nil {
		return Case{}, err
	}
	if err := c.Validate(); err != nil {
		return Case{}, err
	}
	return c, nil
}

// decode reads one part on its own; path is put before the names of its fields.
func decode[T any](raw json.RawMessage, path string, read func(*strict.Object) T) (T, error) {
	o := strict.Read(raw, path)
	v := read(o)
	if err := o.Close(); err != nil {
		var none T
		return none, err
	}
	return v, nil
}
