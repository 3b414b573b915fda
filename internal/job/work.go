package job

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// causes are why sensors are in question.
var causes = []string{
	"glass", "bumper", "door-or-mirror", "alignment", "suspension", "ride-height", "wheel-size", "impact",
	"unit-replaced", "battery-disconnected", "software-updated", "fault", "complaint", "recall",
}

// Work is why the car is here and what it needs, as far as it has been described.
type Work struct {
	Causes            []string       `json:"causes,omitempty"`
	Sensors           *Sensors       `json:"sensors,omitempty"`
	CustomerReference *stream.Sealed `json:"customer_reference,omitempty"`
	CustomerTold      *bool          `json:"customer_told,omitempty"` // before the work, that calibration is needed and will be done or not
}

// Sensors says for each kind of sensor that was looked at what is known of it. None fitted is recorded too: it is not
// the same as not looked.
type Sensors struct {
	Affected    []string `json:"affected"`
	NotAffected []string `json:"not_affected"`
	NoneFitted  bool     `json:"none_fitted"`
}

// workDescription is the data of describe-work. What is left out stays as it is.
type workDescription struct {
	Causes            []string        `json:"causes,omitempty"`
	Sensors           *Sensors        `json:"sensors,omitempty"`
	CustomerReference json.RawMessage `json:"customer_reference,omitempty"` // plain until it is sealed
	CustomerTold      *bool           `json:"customer_told,omitempty"`
}

func readWork(o *strict.Object) workDescription {
	d := workDescription{}
	if o.Has("causes") {
		d.Causes = words(o, "causes", 1, causes)
	}
	if in, there := o.OptObject("sensors"); there {
		sensors := readSensors(in)
		d.Sensors = &sensors
	}
	if o.Has("customer_reference") {
		d.CustomerReference = personal(o.String("customer_reference", 80))
	}
	if o.Has("customer_told") {
		told := o.Bool("customer_told")
		d.CustomerTold = &told
	}
	return d
}

func readSensors(o *strict.Object) Sensors {
	s := Sensors{
		Affected:    words(o, "affected", 0, vehicle.Sensors()),
		NotAffected: words(o, "not_affected", 0, vehicle.Sensors()),
		NoneFitted:  o.Bool("none_fitted"),
	}
	for i, name := range s.NotAffected {
		if slices.Contains(s.Affected, name) {
			o.Reject("not_affected["+strconv.Itoa(i)+"]", "a sensor that is not among the affected")
		}
	}
	switch some := len(s.Affected)+len(s.NotAffected) > 0; {
	case s.NoneFitted && some:
		o.Reject("none_fitted", "false, or no sensors in affected and not_affected")
	case !s.NoneFitted && !some && o.Has("affected") && o.Has("not_affected") && o.Has("none_fitted"):
		o.Reject("none_fitted", "true, or the sensors that are fitted in affected and not_affected")
	}
	return s
}

// words reads a list of known words, each at most once.
func words(o *strict.Object, key string, least int, known []string) []string {
	list := []string{}
	for i, word := range o.Strings(key, least, len(known), 40) {
		if !slices.Contains(known, word) || slices.Contains(list, word) {
			o.Reject(key+"["+strconv.Itoa(i)+"]", "one of "+strings.Join(known, ", ")+", each once")
		}
		list = append(list, word)
	}
	return list
}

func readWorkDescription(o *strict.Object) any {
	d := readWork(o)
	some(o, "causes", "sensors", "customer_reference", "customer_told")
	return d
}

func describeWork(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[workDescription](e.Command)
	if err != nil {
		return err
	}
	was := former{}
	w := s.work // a copy
	if d.Causes != nil {
		was.keep("causes", w.Causes)
		w.Causes = d.Causes
	}
	if d.Sensors != nil {
		was.keep("sensors", w.Sensors)
		w.Sensors = d.Sensors
	}
	if d.CustomerReference != nil {
		was.keep("customer_reference", w.CustomerReference)
	}
	if err := replaceSealed(&w.CustomerReference, d.CustomerReference); err != nil {
		return err
	}
	if d.CustomerTold != nil {
		was.keep("customer_told", w.CustomerTold)
		w.CustomerTold = d.CustomerTold
	}
	s.work, s.describedAt = w, e.Seq
	s.changed(e, was)
	return nil
}
