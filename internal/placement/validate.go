package placement

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	"readback/internal/fault"
)

// Validate checks what no part can know of the others: that readings name instruments of the case that read their
// unit and marks the fixture has, that limits fit the fixture, that the position exists. The parts themselves are
// taken to be as their decoders gave them.
func (c *Case) Validate() error { return c.faults(false) }

// measured is Validate for a case to be checked: the position is chosen and every reading has its value.
func (c *Case) measured() error { return c.faults(true) }

func (c *Case) faults(measured bool) error {
	var all []fault.Field
	bad := func(name, want string) { all = append(all, fault.Field{Name: name, Want: want}) }
	if c.Setup.Line == ThrustLine && c.Vehicle.RearToeDeg == nil {
		bad("vehicle.rear_toe_deg", "missing: the toe of both rear wheels, because the setup goes by the thrust line")
	}
	if c.Fixture.Kind == Reflector {
		for _, q := range []Judged{YawDeg, RollDeg, TiltDeg} {
			if _, judged := c.Setup.Tolerance[q]; judged {
				bad("setup.tolerance."+string(q), "leave it out: a reflector is a point and has no angles")
			}
		}
	}
	if why := c.Setup.needsSensor(); why != "" && c.Setup.SensorAtMM == nil {
		bad("setup.sensor_at_mm", "missing: x, y and z of the sensor, because "+why)
	}
	if len(c.Setup.Positions) == 0 {
		bad("setup.positions", "at least one position")
	} else if _, known := c.position(c.Position); !known && (measured || c.Position != "") {
		bad("position", "one of "+strings.Join(c.positionNames(), ", "))
	}
	if len(all) == 0 {
		c.sightFaults(bad)
	}
	for i, r := range c.Readings {
		c.readingFaults(r, "readings["+strconv.Itoa(i)+"].", measured, bad)
	}
	for i, r := range c.Closing {
		c.readingFaults(r, "closing["+strconv.Itoa(i)+"].", measured, bad)
	}
	if all == nil {
		return nil
	}
	return fault.New(fault.InvalidInput, "The case does not fit together.", all[:min(len(all), 40)]...)
}

// nearestMM is how near the sensor in plan a target may be to have a direction from it.
const nearestMM = 10

// sightFaults checks that the directions to be judged exist.
func (c *Case) sightFaults(bad func(name, want string)) {
	_, byRange := c.Setup.Tolerance[RangeMM]
	_, byAzimuth := c.Setup.Tolerance[AzimuthDeg]
	if !byRange && !byAzimuth {
		return
	}
	for i, p := range c.Setup.Positions {
		s, err := c.sceneAt(p.Name)
		if err == nil && s.target.Sub(*s.sensor).Plan().Length() < nearestMM {
			bad("setup.positions["+strconv.Itoa(i)+"]", "a place at least 10 mm from the sensor in plan, as range or azimuth is judged")
		}
	}
}

func (c *Case) readingFaults(r Reading, path string, measured bool, bad func(name, want string)) {
	f, known := forms[r.Quantity]
	if !known {
		bad(path+"quantity", "a quantity that can be read")
		return
	}
	board := c.Fixture.Kind == Board
	if f.boardOnly && !board {
		bad(path+"quantity", "something a reflector has: "+f.spokenName+" needs a board")
		return
	}
	if f.to != nil && !slices.Contains(c.Fixture.marks(), r.To) {
		bad(path+"to", strings.Join(c.Fixture.marks(), ", "))
	}
	if f.from && !slices.Contains(startPoints, r.From) {
		bad(path+"from", "one of "+strings.Join(startPoints, ", "))
	}
	instrument, known := c.Instruments[r.Instrument]
	if !known {
		names := slices.Sorted(maps.Keys(c.Instruments))
		bad(path+"instrument", "one of the case's instruments: "+strings.Join(names, ", "))
	} else if instrument.Unit() != f.unit {
		bad(path+"instrument", "an instrument that reads "+spoken(f.unit)+", as "+f.spokenName+" is in "+spoken(f.unit))
	}
	if _, there := r.Value(); measured && !there {
		bad(path+"value_"+string(f.unit), "missing: the reading in "+spoken(f.unit))
	}
}

func spoken(u Unit) string {
	if u == Deg {
		return "degrees"
	}
	return "mm"
}

func (c *Case) position(name string) (Position, bool) {
	for _, p := range c.Setup.Positions {
		if p.Name == name {
			return p, true
		}
	}
	return Position{}, false
}

func (c *Case) positionNames() []string {
	names := make([]string, len(c.Setup.Positions))
	for i, p := range c.Setup.Positions {
		names[i] = p.Name
	}
	return names
}
