package placement

import (
	"encoding/json"

	"readback/internal/strict"
)

// Unit is what a quantity is read in.
type Unit string

// The units, as keys end in them.
const (
	MM  Unit = "mm"
	Deg Unit = "deg"
)

// Quantity is a thing that can be read at a fixture.
type Quantity string

// The quantities.
const (
	DatumDistance Quantity = "datum-distance" // along the reference line from the datum to the face, or to the reflector
	Span          Quantity = "span"           // slope distance from a point of the vehicle to a mark
	PlanSpan      Quantity = "plan-span"      // the same, horizontal only
	CentreOffset  Quantity = "centre-offset"  // fixture origin from the reference line, left positive
	Yaw           Quantity = "yaw"            // relative to the reference line
	Height        Quantity = "height"         // of the target above the floor at the fixture
	EndHeight     Quantity = "end-height"     // of an end above the floor at the fixture
	Level         Quantity = "level"          // roll against gravity
	Tilt          Quantity = "tilt"           // tilt of the face against gravity
	Slide         Quantity = "slide"          // of the target along the board, left positive
)

// form is how a quantity is written down.
type form struct {
	unit       Unit
	from       bool     // runs from a point of the vehicle
	to         []string // marks it may run to
	plumbs     bool     // may be plumbed to the floor
	boardOnly  bool
	low, high  float64 // what a value can be
	aboveLow   bool
	spokenName string
}

var order = []Quantity{DatumDistance, Span, PlanSpan, CentreOffset, Yaw, Height, EndHeight, Level, Tilt, Slide}

var forms = map[Quantity]form{
	DatumDistance: {unit: MM, low: 0, high: 30000, aboveLow: true, spokenName: "a datum distance"},
	Span:          {unit: MM, from: true, to: allMarks, low: 0, high: 40000, aboveLow: true, spokenName: "a span"},
	PlanSpan:      {unit: MM, from: true, to: allMarks, plumbs: true, low: 0, high: 40000, aboveLow: true, spokenName: "a plan span"},
	CentreOffset:  {unit: MM, plumbs: true, low: -20000, high: 20000, spokenName: "a centre offset"},
	Yaw:           {unit: Deg, boardOnly: true, low: -45, high: 45, spokenName: "a yaw"},
	Height:        {unit: MM, low: -1000, high: 6000, spokenName: "a height"},
	EndHeight:     {unit: MM, to: []string{LeftEnd, RightEnd}, boardOnly: true, low: -1000, high: 6000, spokenName: "an end height"},
	Level:         {unit: Deg, boardOnly: true, low: -45, high: 45, spokenName: "a level"},
	Tilt:          {unit: Deg, boardOnly: true, low: -45, high: 45, spokenName: "a tilt"},
	Slide:         {unit: MM, boardOnly: true, low: -5000, high: 5000, spokenName: "a slide"},
}

var orderNames = func() []string {
	names := make([]string, len(order))
	for i, q := range order {
		names[i] = string(q)
	}
	return names
}()

// Unit is the unit the quantity is read in.
func (q Quantity) Unit() Unit { return forms[q].unit }

// Reading is one measured value, or one that is to be measured while its value is nil.
type Reading struct {
	Quantity    Quantity `json:"quantity"`
	From        string   `json:"from,omitempty"`
	To          string   `json:"to,omitempty"`
	Instrument  string   `json:"instrument"`
	Plumbed     bool     `json:"plumbed,omitempty"`
	PointingMM  float64  `json:"pointing_mm,omitempty"` // standard uncertainty of finding the marks
	PointingDeg float64  `json:"pointing_deg,omitempty"`
	ValueMM     *float64 `json:"value_mm,omitempty"`
	ValueDeg    *float64 `json:"value_deg,omitempty"`
}

// Value is the measured value in the quantity's unit, if there is one.
func (r Reading) Value() (float64, bool) {
	v := r.ValueMM
	if r.Quantity.Unit() == Deg {
		v = r.ValueDeg
	}
	if v == nil {
		return 0, false
	}
	return *v, true
}

// With returns the reading with a value in the quantity's unit.
func (r Reading) With(value float64) Reading {
	r.ValueMM, r.ValueDeg = nil, nil
	if r.Quantity.Unit() == Deg {
		r.ValueDeg = &value
	} else {
		r.ValueMM = &value
	}
	return r
}

func (r Reading) pointing() float64 {
	if r.Quantity.Unit() == Deg {
		return r.PointingDeg
	}
	return r.PointingMM
}

// DecodeReading reads a reading on its own. Its value may be absent.
func DecodeReading(raw json.RawMessage, path string) (Reading, error) {
	return decode(raw, path, readReading)
}

func readReadings(all []*strict.Object) []Reading {
	rs := make([]Reading, len(all))
	for i, o := range all {
		rs[i] = readReading(o)
	}
	return rs
}

func readReading(o *strict.Object) Reading {
	r := Reading{Quantity: Quantity(o.Enum("quantity", orderNames...))}
	f, known := forms[r.Quantity]
	if !known {
		o.Ignore()
		return r
	}
	leaveOut := func(key, why string) {
		if o.Has(key) {
			o.OptRaw(key)
			o.Reject(key, "leave it out: "+f.spokenName+" "+why)
		}
	}
	if f.from {
		r.From = o.Enum("from", startPoints...)
	} else {
		leaveOut("from", "has no start")
	}
	if f.to != nil {
		r.To = o.Enum("to", f.to...)
	} else {
		leaveOut("to", "has no end")
	}
	if f.plumbs {
		r.Plumbed = o.OptBool("plumbed", false)
	} else {
		leaveOut("plumbed", "is not plumbed")
	}
	r.Instrument = o.String("instrument", maxName)
	values := strict.Range{Min: f.low, Max: f.high, Above: f.aboveLow}
	if f.unit == MM {
		values.Unit = "mm"
		leaveOut("value_deg", "is in mm: give value_mm")
		leaveOut("pointing_deg", "is in mm: give pointing_mm")
		r.PointingMM, _ = o.OptFloat("pointing_mm", strict.Range{Max: 50, Unit: "mm"})
		if v, there := o.OptFloat("value_mm", values); there {
			r.ValueMM = &v
		}
	} else {
		values.Unit = "degrees"
		leaveOut("value_mm", "is in degrees: give value_deg")
		leaveOut("pointing_mm", "is in degrees: give pointing_deg")
		r.PointingDeg, _ = o.OptFloat("pointing_deg", strict.Range{Max: 10, Unit: "degrees"})
		if v, there := o.OptFloat("value_deg", values); there {
			r.ValueDeg = &v
		}
	}
	return r
}
