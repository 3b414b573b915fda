package vehicle

import "slices"

// sensors are the kinds of sensor that jobs and competences name: one word for each, so that a proof of competence
// and the work it is for cannot miss each other by a spelling.
var sensors = []string{
	"front-camera", "rear-camera", "surround-cameras", "night-camera",
	"front-radar", "corner-radar", "rear-radar", "lidar",
	"parking-sensors", "steering-angle",
}

// Sensors lists the kinds of sensor.
func Sensors() []string { return slices.Clone(sensors) }
