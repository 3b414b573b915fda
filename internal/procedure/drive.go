package procedure

import (
	"fmt"

	"readback/internal/strict"
)

// Drive is what a calibration on the road asks for. What was driven is checked against it afterwards; nothing here
// tells anyone to drive faster than the road and the law allow.
type Drive struct {
	Windows    []Window    `json:"windows"`
	Conditions []Condition `json:"conditions"`
}

// DriveCaution goes wherever a drive is shown.
const DriveCaution = "The driver drives only; a second person watches the equipment. The law, the road and the vehicle maker's service information come before any window. Stop in a safe place."

// Window is a band of speed, and how long and how far to drive in it.
type Window struct {
	Name      string `json:"window"`
	SpeedKMH  Range  `json:"speed_kmh"`
	Minutes   Range  `json:"minutes,omitzero"`    // in the band, together
	DistanceM Range  `json:"distance_m,omitzero"` // in the band, together, in metres
	Unbroken  bool   `json:"unbroken,omitempty"`  // the minutes are driven without a break
}

// Condition is what must be so on the road, in words.
type Condition struct {
	Name string `json:"condition"`
	Asks string `json:"asks"`
}

var (
	speeds    = unit{"km/h", "km/h", 1, 0, 250}
	minutes   = unit{"min", "min", 1, 0, 600}
	distances = unit{"m", "m", 1, 0, 1_000_000}
)

func readDrive(o *strict.Object) *Drive {
	d := &Drive{}
	seen := map[string]bool{}
	for _, each := range o.Objects("windows", 1, MaxWindows) {
		w := readWindow(each)
		once(seen, each, "window", w.Name, "window")
		d.Windows = append(d.Windows, w)
	}
	seen = map[string]bool{}
	for _, each := range o.Objects("conditions", 1, MaxConditions) {
		c := Condition{Name: name(each, "condition"), Asks: each.String("asks", maxAsks)}
		once(seen, each, "condition", c.Name, "condition")
		d.Conditions = append(d.Conditions, c)
	}
	return d
}

func readWindow(o *strict.Object) Window {
	w := Window{Name: name(o, "window")}
	speed := o.Object("speed_kmh")
	w.SpeedKMH = readRange(speed, speeds, whole)
	if !speed.Has("lower") && !speed.Has("upper") && o.Has("speed_kmh") {
		speed.Reject("lower", "missing: a lower or an upper speed")
	}
	least := false // a least time or way is written, whether usable or not
	if inner, there := o.OptObject("minutes"); there {
		w.Minutes, least = readRange(inner, minutes, whole), inner.Has("lower")
	}
	if inner, there := o.OptObject("distance_m"); there {
		w.DistanceM, least = readRange(inner, distances, whole), least || inner.Has("lower")
	}
	if w.Unbroken = o.OptBool("unbroken", false); w.Unbroken && o.There() && w.Minutes.Lower == nil {
		o.Reject("unbroken", "leave it out, or state the least time as minutes.lower: it is the time that is driven without a break")
	}
	if !least {
		o.Reject("minutes", "missing: the least time in the window, as lower, or the least distance")
	}
	w.contradictions(o)
	return w
}

// contradictions refuses what nobody could drive: too far for the time at the highest speed, or too long for the way at
// the lowest.
func (w Window) contradictions(o *strict.Object) {
	if v, t, d := w.SpeedKMH.Upper, w.Minutes.Upper, w.DistanceM.Lower; v != nil && t != nil && d != nil {
		if most := *v * *t * 1000 / 60; *d > most {
			o.Reject("distance_m.lower", fmt.Sprintf("at most %d m, which is as far as %d km/h reaches in %d min", most, *v, *t))
		}
	}
	if v, t, d := w.SpeedKMH.Lower, w.Minutes.Lower, w.DistanceM.Upper; v != nil && t != nil && d != nil {
		if least := *v * *t * 1000 / 60; *d < least {
			o.Reject("distance_m.upper", fmt.Sprintf("at least %d m, which %d km/h covers in %d min", least, *v, *t))
		}
	}
}
