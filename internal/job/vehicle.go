package job

import (
	"encoding/json"
	"slices"
	"strings"
	"unicode"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// Vehicle is the car as far as it has been described.
type Vehicle struct {
	VIN       *stream.Sealed     `json:"vin,omitempty"`
	VINCheck  vehicle.Check      `json:"vin_check,omitempty"`
	ModelYear *vehicle.ModelYear `json:"model_year,omitempty"`
	Plate     *stream.Sealed     `json:"plate,omitempty"`
	MileageKM *int64             `json:"mileage_km,omitempty"`
	Steering  vehicle.Steering   `json:"steering,omitempty"`
	// Dimensions is the register's dimension sheet of this type of car.
	Dimensions *stream.ID `json:"dimensions,omitempty"`
}

// carDescription is the data of describe-vehicle: whatever of the car is known by now. What is left out stays as it
// is. Personal values are plain until they are sealed.
type carDescription struct {
	VIN        json.RawMessage    `json:"vin,omitempty"`
	VINMark    *string            `json:"vin_mark,omitempty"`   // "" as admitted; then what equal VINs have in common
	VINCheck   vehicle.Check      `json:"vin_check,omitempty"`  // by Admit; a failed check does not refuse
	ModelYear  *vehicle.ModelYear `json:"model_year,omitempty"` // by Admit, of what position 10 says
	Plate      json.RawMessage    `json:"plate,omitempty"`
	MileageKM  *int64             `json:"mileage_km,omitempty"`
	Steering   vehicle.Steering   `json:"steering,omitempty"`
	Dimensions *stream.ID         `json:"dimensions,omitempty"`
}

// mostMileageKM is beyond what any car has run.
const mostMileageKM = 5_000_000

func readCar(o *strict.Object) carDescription {
	d := carDescription{
		Steering: vehicle.Steering(o.OptEnum("steering", "", string(vehicle.SteeringLeft), string(vehicle.SteeringRight))),
	}
	d.MileageKM, d.Plate = readMileage(o), readPlate(o)
	if text := o.OptString("vin", 40); text != "" {
		vin, err := vehicle.ParseVIN(text)
		if err != nil {
			o.Reject("vin", err.Error())
		} else {
			d.VIN, d.VINMark, d.VINCheck = personal(text), new(string), vin.Check()
			if years, ok := vin.ModelYear(); ok {
				d.ModelYear = &years
			}
		}
	}
	if o.Has("dimensions") {
		id := readID(o, "dimensions")
		d.Dimensions = &id
	}
	return d
}

func readMileage(o *strict.Object) *int64 {
	if km, there := o.OptInt("mileage_km", 0, mostMileageKM); there {
		return &km
	}
	return nil
}

func readPlate(o *strict.Object) json.RawMessage {
	if !o.Has("plate") {
		return nil
	}
	plate := o.String("plate", 15)
	if plate != "" && !isPlate(plate) {
		o.Reject("plate", "letters, digits, spaces and dashes as on the car; leave it out if the car has none")
	}
	return personal(plate)
}

// isPlate takes the letters of any script.
func isPlate(text string) bool {
	sign := func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }
	other := func(r rune) bool { return !sign(r) && r != ' ' && r != '-' }
	return strings.ContainsFunc(text, sign) && !strings.ContainsFunc(text, other)
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

func readCarDescription(o *strict.Object) any {
	d := readCar(o)
	some(o, "vin", "plate", "mileage_km", "steering", "dimensions")
	return d
}

// some asks for at least one of the keys.
func some(o *strict.Object, keys ...string) {
	if slices.ContainsFunc(keys, o.Has) || !o.There() {
		return
	}
	o.Reject(keys[0], "missing: at least one of "+strings.Join(keys, ", "))
}

func needsOfCar(actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	d, err := stream.DecodeData[carDescription](cmd)
	if err != nil || d.Dimensions == nil {
		return nil, err
	}
	return []stream.FactKey{dimensionsKey(actor, *d.Dimensions)}, nil
}

func checkCar(actor stream.Actor, cmd stream.Command, facts stream.Facts) error {
	d, err := stream.DecodeData[carDescription](cmd)
	if err != nil || d.Dimensions == nil {
		return err
	}
	return sheetInUse(actor, *d.Dimensions, facts)
}

func describeCar(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[carDescription](e.Command)
	if err != nil {
		return err
	}
	was := former{}
	v := s.vehicle // a copy
	if d.VIN != nil {
		was.keep("vin", v.VIN)
		if d.VINMark == nil || *d.VINMark == "" {
			return errNoMark
		}
		s.vinMark, s.settled = *d.VINMark, nil
		v.VINCheck, v.ModelYear = d.VINCheck, d.ModelYear
	}
	if err := replaceSealed(&v.VIN, d.VIN); err != nil {
		return err
	}
	if d.Plate != nil {
		was.keep("plate", v.Plate)
	}
	if err := replaceSealed(&v.Plate, d.Plate); err != nil {
		return err
	}
	if d.MileageKM != nil {
		was.keep("mileage_km", v.MileageKM)
		v.MileageKM = d.MileageKM
	}
	if d.Steering != "" {
		was.keep("steering", v.Steering)
		v.Steering = d.Steering
	}
	if d.Dimensions != nil {
		was.keep("dimensions", v.Dimensions)
		v.Dimensions = d.Dimensions
	}
	s.vehicle, s.describedAt = v, e.Seq
	s.changed(e, was)
	return nil
}

// replaceSealed puts a new sealed value in place of the one before, if there is a new one.
func replaceSealed(to **stream.Sealed, raw json.RawMessage) error {
	if raw == nil {
		return nil
	}
	value, err := stream.ReadSealed(raw)
	if err == nil {
		*to = &value
	}
	return err
}
