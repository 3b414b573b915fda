package placement

import (
	"encoding/json"
	"slices"
	"strconv"

	"readback/internal/strict"
)

// The sides of the car a fixture stands on.
const (
	Ahead  = "ahead"
	Behind = "behind"
)

// The reference lines.
const (
	ThrustLine = "thrust-line"
	Centreline = "centreline"
)

// The datums that distances count from. All but the sensor are on y = 0 at the setup's datum height.
const (
	FrontBumper = "front-bumper"
	FrontAxle   = "front-axle"
	RearAxle    = "rear-axle"
	RearBumper  = "rear-bumper"
	AtSensor    = "sensor"
)

// Setup is where the target shall stand, from the service information: one place per position, and the limits.
type Setup struct {
	Sensor        string     `json:"sensor"`
	Side          string     `json:"side,omitempty"`
	Datum         string     `json:"datum"`
	DatumHeightMM float64    `json:"datum_height_mm,omitempty"`
	Line          string     `json:"line"`
	DistanceMM    *float64   `json:"distance_mm,omitempty"` // for positions that state none
	HeightMM      *float64   `json:"height_mm,omitempty"`
	Positions     []Position `json:"positions"`
	Tolerance     Tolerance  `json:"tolerance"`
	SensorAtMM    *Point     `json:"sensor_at_mm,omitempty"`
}

// Position is one place of the target: a lateral from the reference line, left positive, or a plan range from the
// sensor and an azimuth counter-clockwise from the reference line's forward direction.
type Position struct {
	Name       string   `json:"name"`
	LateralMM  *float64 `json:"lateral_mm,omitempty"`
	RangeMM    *float64 `json:"range_mm,omitempty"`
	AzimuthDeg *float64 `json:"azimuth_deg,omitempty"`
	DistanceMM *float64 `json:"distance_mm,omitempty"`
	HeightMM   *float64 `json:"height_mm,omitempty"`
}

// Point is a point in the vehicle frame.
type Point struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	Z float64 `json:"z"`
}

// Judged names a quantity of the target that a limit can be set for, as keys of Tolerance and of results.
type Judged string

// The judged quantities, in the order in which they are listed everywhere.
const (
	DistanceMM Judged = "distance_mm" // along the reference line, positive farther from the car
	LateralMM  Judged = "lateral_mm"  // across it, left positive
	HeightMM   Judged = "height_mm"
	YawDeg     Judged = "yaw_deg"
	RollDeg    Judged = "roll_deg"
	TiltDeg    Judged = "tilt_deg"
	RangeMM    Judged = "range_mm" // plan range from the sensor
	AzimuthDeg Judged = "azimuth_deg"
)

var allJudged = [...]Judged{DistanceMM, LateralMM, HeightMM, YawDeg, RollDeg, TiltDeg, RangeMM, AzimuthDeg}

// AllJudged lists the judged quantities in the order in which they are listed everywhere.
func AllJudged() []Judged { return slices.Clone(allJudged[:]) }

// DecodeSetup reads a setup on its own.
func DecodeSetup(raw json.RawMessage, path string) (Setup, error) {
	return decode(raw, path, readSetup)
}

var (
	distances = strict.Range{Above: true, Max: 30000, Unit: "mm"}
	heights   = strict.Range{Min: -500, Max: 5000, Unit: "mm"}
)

func readSetup(o *strict.Object) Setup {
	s := Setup{
		Sensor: o.String("sensor", maxName),
		Side:   o.OptEnum("side", Ahead, Ahead, Behind),
		Datum:  o.Enum("datum", FrontBumper, FrontAxle, RearAxle, RearBumper, AtSensor),
		Line:   o.Enum("line", ThrustLine, Centreline),
	}
	if s.Datum == AtSensor && o.Has("datum_height_mm") {
		o.OptRaw("datum_height_mm")
		o.Reject("datum_height_mm", "leave it out: the sensor has its own height in sensor_at_mm.z")
	} else {
		s.DatumHeightMM, _ = o.OptFloat("datum_height_mm", strict.Range{Max: 5000, Unit: "mm"})
	}
	s.DistanceMM = optional(o, "distance_mm", distances)
	s.HeightMM = optional(o, "height_mm", heights)
	if at, there := o.OptObject("sensor_at_mm"); there {
		s.SensorAtMM = &Point{
			X: at.Float("x", strict.Range{Min: -10000, Max: 20000, Unit: "mm"}),
			Y: at.Float("y", strict.Range{Min: -3000, Max: 3000, Unit: "mm"}),
			Z: at.Float("z", strict.Range{Max: 5000, Unit: "mm"}),
		}
	}
	s.Positions = readPositions(o, s)
	s.Tolerance = readTolerance(o.Object("tolerance"))
	if s.SensorAtMM == nil && !o.Has("sensor_at_mm") {
		if why := s.needsSensor(); why != "" {
			o.Reject("sensor_at_mm", "missing: x, y and z of the sensor, because "+why)
		}
	}
	return s
}

func optional(o *strict.Object, key string, g strict.Range) *float64 {
	if v, there := o.OptFloat(key, g); there {
		return &v
	}
	return nil
}

func readPositions(o *strict.Object, s Setup) []Position {
	list := o.Objects("positions", 1, MaxPositions)
	all := make([]Position, len(list))
	named := make(map[string]bool, len(list))
	for i, p := range list {
		pos := Position{Name: p.String("name", maxName), HeightMM: optional(p, "height_mm", heights)}
		if named[pos.Name] && pos.Name != "" {
			p.Reject("name", "a name that no other position has")
		}
		named[pos.Name] = true
		if p.Has("range_mm") || p.Has("azimuth_deg") {
			v := p.Float("range_mm", distances)
			az := p.Float("azimuth_deg", strict.Range{Min: -180, Max: 180, Unit: "degrees"})
			pos.RangeMM, pos.AzimuthDeg = &v, &az
			for _, key := range []string{"lateral_mm", "distance_mm"} {
				if p.Has(key) {
					p.OptRaw(key)
					p.Reject(key, "leave it out: it follows from range_mm and azimuth_deg")
				}
			}
		} else {
			v := p.Float("lateral_mm", strict.Range{Min: -20000, Max: 20000, Unit: "mm, left positive"})
			pos.LateralMM = &v
			pos.DistanceMM = optional(p, "distance_mm", distances)
			if pos.DistanceMM == nil && s.DistanceMM == nil && !o.Has("distance_mm") {
				p.Reject("distance_mm", "a distance here, or distance_mm for the whole setup")
			}
		}
		if pos.HeightMM == nil && s.HeightMM == nil && !o.Has("height_mm") {
			p.Reject("height_mm", "a height here, or height_mm for the whole setup")
		}
		all[i] = pos
	}
	return all
}

// needsSensor says why the setup cannot do without sensor_at_mm, or nothing.
func (s Setup) needsSensor() string {
	if s.Datum == AtSensor {
		return "distances count from it"
	}
	for i, p := range s.Positions {
		if p.RangeMM != nil {
			return "positions[" + strconv.Itoa(i) + "] counts from it"
		}
	}
	for _, q := range []Judged{RangeMM, AzimuthDeg} {
		if _, judged := s.Tolerance[q]; judged {
			return "tolerance." + string(q) + " counts from it"
		}
	}
	return ""
}

// Unit is the unit of the quantity.
func (q Judged) Unit() Unit {
	switch q {
	case YawDeg, RollDeg, TiltDeg, AzimuthDeg:
		return Deg
	}
	return MM
}
