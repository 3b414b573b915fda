package calibration

import "slices"

// Gates gives what is asked of a kind of sensor where no procedure says so; false for a kind that cannot be calibrated
// here. The grades are common practice; where the vehicle's service information asks for more, that decides.
func Gates(sensor string) ([]Asked, bool) {
	special, ok := gatesBySensor[sensor]
	if !ok {
		return nil, false
	}
	return slices.Concat(commonGates, special), true
}

// Sensors lists the kinds of sensor that can be calibrated, in order.
func Sensors() []string {
	names := make([]string, 0, len(gatesBySensor))
	for s := range gatesBySensor {
		names = append(names, s)
	}
	slices.Sort(names)
	return names
}

// commonGates are asked of every sensor.
var commonGates = []Asked{
	{Name: "floor-surveyed", Grade: Required, Due: ByRequest},
	{Name: "space-clear", Grade: Required, Due: ByRequest},
	{Name: "tyres-set", Grade: Required, Due: ByRequest},
	{Name: "load-set", Grade: Required, Due: ByRequest},
	{Name: "ride-height-checked", Grade: Caution, Due: ByLeg},
	{Name: "steering-straight", Grade: Required, Due: ByLeg},
	{Name: "brakes-and-chocks", Grade: Required, Due: ByLeg},
	{Name: "battery-supported", Grade: Required, Due: ByLeg},
	{Name: "doors-shut", Grade: Required, Due: ByLeg},
	{Name: "area-marked", Grade: Caution, Due: ByLeg},
	{Name: "temperature-noted", Grade: Recorded, Due: ByLeg},
}

var (
	cameraGates = []Asked{
		{Name: "light-even", Grade: Caution, Due: ByLeg},
		{Name: "background-plain", Grade: Required, Due: ByRequest},
	}
	radarGates = []Asked{
		{Name: "metal-cleared", Grade: Required, Due: ByRequest},
		{Name: "cover-sound", Grade: Required, Due: ByRequest},
	}
)

// gatesBySensor has a row for every kind of sensor whose target is a board or a reflector.
var gatesBySensor = map[string][]Asked{
	"front-camera": slices.Concat([]Asked{{Name: "glass-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"night-camera": slices.Concat([]Asked{{Name: "lens-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"rear-camera":  slices.Concat([]Asked{{Name: "lens-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"front-radar":  radarGates,
	"corner-radar": radarGates,
	"rear-radar":   radarGates,
	"lidar":        slices.Concat([]Asked{{Name: "cover-sound", Grade: Required, Due: ByRequest}}, cameraGates),
}
