package calibration

import (
	"fmt"
	"slices"
	"strings"
)

// What a calibration asks of its job. A job may be opened with little: each guard asks for what is missing when it is
// needed, and names it.

// car is the job's fact as the command was given it: of the job that open names, else of the calibration's own.
func (a *asked) car() (vehicle, bool) {
	key := a.state.vehicleKey()
	if o, opens := a.data.(openOrder); opens {
		key = jobKey(o.Job, "vehicle")
	}
	return fact[vehicle](a.facts, key)
}

// lacking names those of the things that the job has not been told yet, as people say them.
func (v vehicle) lacking(things ...string) string {
	said := map[string]string{
		"causes": "why the sensors are in question", "sensors": "which sensors are affected", "vin": "the VIN",
		"mileage_km": "the mileage", "steering": "the side of the steering wheel",
		"customer_told": "whether the customer was told before the work",
	}
	var list []string
	for _, thing := range things {
		if slices.Contains(v.Missing, thing) {
			list = append(list, said[thing])
		}
	}
	return strings.Join(list, ", ")
}

// jobKnown does not ask whose job it is: a calibration is sealed under its job's key, and nobody is given another's.
var jobKnown = guard{"job-known", "the job exists", func(a *asked) string {
	if _, ok := a.car(); !ok {
		return "There is no such job. Open the job first."
	}
	return ""
}}

var jobGoesOn = guard{"job-goes-on", "the job is not withdrawn", func(a *asked) string {
	v, _ := a.car()
	_, opens := a.data.(openOrder)
	switch {
	case !v.Withdrawn:
		return ""
	case opens:
		return "The job was withdrawn. Open another one for the car that is to be calibrated."
	}
	return "The job was withdrawn: declare this calibration withdrawn, too."
}}

var sensorNotRuledOut = guard{"sensor-not-ruled-out", "the job, if it says by now which sensors are affected, lists the sensor", func(a *asked) string {
	if v, _ := a.car(); slices.Contains(v.Missing, "sensors") {
		return ""
	}
	return a.sensorListed(a.data.(openOrder).Sensor)
}}

var workDescribed = guard{"work-described", "the job says why the sensors are in question and which are affected", func(a *asked) string {
	v, _ := a.car()
	if what := v.lacking("causes", "sensors"); what != "" {
		return fmt.Sprintf("Before you can request guidance, describe the work in the job: %s.", what)
	}
	return ""
}}

var sensorAffected = guard{"sensor-affected", "the job lists the sensor as affected", func(a *asked) string {
	if v, _ := a.car(); slices.Contains(v.Missing, "sensors") {
		return "" // work-described says so
	}
	return a.sensorListed(a.state.sensor)
}}

func (a *asked) sensorListed(sensor string) string {
	v, ok := a.car()
	switch {
	case !ok, slices.Contains(v.Sensors, sensor):
		return ""
	case len(v.Sensors) == 0:
		return fmt.Sprintf("The job does not list %s among the affected sensors: it lists none.", sensor)
	}
	return fmt.Sprintf("The job does not list %s among the affected sensors: it lists %s.", sensor, strings.Join(v.Sensors, ", "))
}

var oneVIN = guard{"one-vin", "the VIN that the car gave is the job's, or a person of the shop has settled which is right", func(a *asked) string {
	if v, _ := a.car(); v.VINDiffers {
		return "The VIN that the car gave is not the one in the job: this may be the wrong car. Compare both with the car and settle in the job which is right."
	}
	return ""
}}

var carDescribed = guard{"car-described", "the job has the car's VIN, mileage and steering side, and whether the customer was told", func(a *asked) string {
	v, _ := a.car()
	if what := v.lacking("vin", "mileage_km", "steering", "customer_told"); what != "" {
		return fmt.Sprintf("Before a leg or a drive, the job must say %s.", what)
	}
	return ""
}}
