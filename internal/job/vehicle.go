package job

import (
	"encoding/json"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// causes are why sensors are in question.
var causes = []string{
	"glass", "bumper", "door-or-mirror", "alignment", "suspension", "ride-height", "wheel-size", "impact",
	"unit-replaced", "battery-disconnected", "software-updated", "fault", "complaint", "recall",
}

// Sensors says for each kind of sensor that was looked at what is known of it. None fitted is recorded too: it is not
// the same as not looked.
type Sensors struct {
	Affected    []string `json:"affected"`
	NotAffected []string `json:"not_affected"`
	NoneFitted  bool     `json:"none_fitted"`
}

// opening is the data of open-job. Personal values are plain until they are sealed.
type opening struct {
	VIN       json.RawMessage  `json:"vin"`
	VINCheck  vehicle.Check    `json:"vin_check"` // by Admit; a failed check does not refuse
	Plate     json.RawMessage  `json:"plate,omitempty"`
	MileageKM int64            `json:"mileage_km"`
	Steering  vehicle.Steering `json:"steering"`
	// Dimensions is the register's dimension sheet of this type of car; absent only where nothing is fitted.
	Dimensions        *stream.ID      `json:"dimensions,omitempty"`
	Causes            []string        `json:"causes"`
	Sensors           Sensors         `json:"sensors"`
	CustomerReference json.RawMessage `json:"customer_reference,omitempty"`
	CustomerTold      bool            `json:"customer_told"` // before the work, that calibration is needed and will be done or not
}

// mostMileageKM is beyond what any car has run.
const mostMileageKM = 5_000_000

func readVehicle(o *strict.Object) any {
	j := opening{
		MileageKM:    o.Int("mileage_km", 0, mostMileageKM),
		Steering:     vehicle.Steering(o.Enum("steering", string(vehicle.SteeringLeft), string(vehicle.SteeringRight))),
		Causes:       words(o, "causes", 1, causes),
		CustomerTold: o.Bool("customer_told"),
	}
	if text := o.String("vin", 40); text != "" {
		vin, err := vehicle.ParseVIN(text)
		if err != nil {
			o.Reject("vin", err.Error())
		} else {
			j.VIN, j.VINCheck = personal(text), vin.Check()
		}
	}
	if o.Has("plate") {
		plate := o.String("plate", 15)
		if plate != "" && !isPlate(plate) {
			o.Reject("plate", "letters, digits, spaces and dashes as on the car; leave it out if the car has none")
		}
		j.Plate = personal(plate)
	}
	if o.Has("customer_reference") {
		j.CustomerReference = personal(o.String("customer_reference", 80))
	}
	j.Sensors = readSensors(o.Object("sensors"))
	if o.Has("dimensions") || !j.Sensors.NoneFitted {
		id := readID(o, "dimensions")
		j.Dimensions = &id
	}
	return j
}

// isPlate takes the letters of any script.
func isPlate(text string) bool {
	sign := func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }
	other := func(r rune) bool { return !sign(r) && r != ' ' && r != '-' }
	return strings.ContainsFunc(text, sign) && !strings.ContainsFunc(text, other)
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

// readID reads a required id.
func readID(o *strict.Object, key string) stream.ID {
	text := o.String(key, 36)
	if text == "" {
		return stream.ID{} // said already
	}
	id, err := stream.ParseID(key, text)
	if err != nil {
		o.Reject(key, fault.Of(err).Fields[0].Want)
	}
	return id
}

func needsOfOpening(actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	j, err := decode[opening](cmd)
	if err != nil {
		return nil, err
	}
	keys := []stream.FactKey{organisationKey(actor)}
	if j.Dimensions != nil {
		keys = append(keys, dimensionsKey(actor, *j.Dimensions))
	}
	return keys, nil
}

func checkOpening(actor stream.Actor, cmd stream.Command, facts stream.Facts) error {
	j, err := decode[opening](cmd)
	if err != nil {
		return err
	}
	if err := inShop(actor, facts); err != nil {
		return err
	}
	if j.Dimensions != nil {
		return sheetInUse(actor, *j.Dimensions, facts)
	}
	return nil
}

func openJob(s *State, e stream.Entry) error {
	j, err := decode[opening](e.Command)
	if err != nil {
		return err
	}
	v := Vehicle{
		VINCheck: j.VINCheck, MileageKM: j.MileageKM, Steering: j.Steering, Dimensions: j.Dimensions,
		Causes: j.Causes, Sensors: j.Sensors, CustomerTold: j.CustomerTold,
	}
	if v.VIN, err = unsealed(j.VIN); err != nil {
		return err
	}
	for _, each := range []struct {
		raw json.RawMessage
		to  **stream.Sealed
	}{{j.Plate, &v.Plate}, {j.CustomerReference, &v.CustomerReference}} {
		if each.raw == nil {
			continue
		}
		value, err := unsealed(each.raw)
		if err != nil {
			return err
		}
		*each.to = &value
	}
	s.shop, s.openedAt, s.vehicle = e.By.Org, e.Seq, v
	return nil
}
