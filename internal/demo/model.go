package demo

// model is an invented type of car as its shop measured it, and where the target stands for it by the invented service
// information. Lengths are in mm, angles in degrees.
type model struct {
	name                                   string
	wheelbase, frontTrack, rearTrack       float64
	frontOverhang, rearOverhang, hubHeight float64
	rearToeLeft, rearToeRight              float64
	target                                 string
	distance, height, datumHigh, halfWidth float64 // distance from the bumper to the board
	limitMM, limitDeg                      float64
	positions                              []spot
	wheelsMM                               map[string]float64 // the floor under the wheels against gravity
	fixtureMM                              float64            // and under the board
}

// spot is a place of the board, left of the thrust line.
type spot struct {
	name    string
	lateral float64
}

// thrust is the thrust angle, positive to the right.
func (m model) thrust() float64 { return (m.rearToeLeft - m.rearToeRight) / 2 }

// hatchback is the car of the first story: its rear toes make a thrust angle of 0.15° to the right, and the board stands
// 3 m ahead of the front axle.
func hatchback() model {
	return model{
		name: "Demo car (invented)", wheelbase: 2680, frontTrack: 1560, rearTrack: 1572, frontOverhang: 890, rearOverhang: 760,
		hubHeight: 325, rearToeLeft: 0.20, rearToeRight: -0.10,
		target: "DEMO-T7", distance: 3000 - 890, height: 1260, datumHigh: 500, halfWidth: 800, limitMM: 5, limitDeg: 0.3,
		positions: []spot{{"1", 0}, {"2", 620}, {"3", -620}},
		wheelsMM:  map[string]float64{"front_left": 0, "front_right": 2, "rear_left": -1, "rear_right": 1}, fixtureMM: -4,
	}
}

// estate is the car of the second story, whose thrust angle is 0.08° to the left.
func estate() model {
	return model{
		name: "Demo estate (invented)", wheelbase: 2810, frontTrack: 1588, rearTrack: 1580, frontOverhang: 905, rearOverhang: 1010,
		hubHeight: 334, rearToeLeft: 0.03, rearToeRight: 0.19,
		target: "DEMO-T9", distance: 1900, height: 1310, datumHigh: 480, halfWidth: 750, limitMM: 5, limitDeg: 0.3,
		positions: []spot{{"left", 540}, {"right", -540}},
		wheelsMM:  map[string]float64{"front_left": 1, "front_right": -1, "rear_left": 2, "rear_right": 0}, fixtureMM: 3,
	}
}

// dimensions is the car as a register holds it.
func (m model) dimensions() map[string]any {
	return map[string]any{
		"wheelbase_mm": m.wheelbase, "front_track_mm": m.frontTrack, "rear_track_mm": m.rearTrack,
		"front_overhang_mm": m.frontOverhang, "rear_overhang_mm": m.rearOverhang,
		"hub_height_mm": map[string]any{"front": m.hubHeight, "rear": m.hubHeight},
	}
}

// setUp is the name of the procedure's only set-up.
const setUp = "board ahead"

// method is the procedure for the front camera as the shop wrote it from the invented service information.
func (m model) method() map[string]any {
	gate := func(name, asks, grade, by string) map[string]any {
		return map[string]any{"gate": name, "asks": asks, "grade": grade, "by": by, "evidence": "declared"}
	}
	battery := gate("battery-voltage", "A supply holds the battery, in its supply mode.", "required", "leg")
	battery["evidence"], battery["limits"], battery["expires_min"] = "measured", "stated", 120
	battery["value"] = map[string]any{"unit": "V", "lower": 12.5, "caution": map[string]any{"lower": 13.0, "upper": 14.5}}
	positions := make([]any, len(m.positions))
	for i, p := range m.positions {
		positions[i] = map[string]any{"name": p.name, "lateral_mm": p.lateral}
	}
	return map[string]any{
		"format": "readback-procedure/1", "title": "Front camera, board ahead (invented)", "sensor": "front-camera",
		"source": map[string]any{"title": "Invented service information, front camera", "dated": "2026-03-01", "version": "4"},
		"gates": []any{
			gate("floor-surveyed", "The floor under car and board is surveyed.", "required", "request"),
			gate("space-clear", "Nothing stands between car and board.", "required", "request"),
			gate("tyres-set", "The tyres are cold and at the pressure of the placard.", "required", "request"),
			gate("load-set", "The car is loaded as the service information asks.", "required", "request"),
			gate("glass-clean", "The windscreen is clean on both sides, and its adhesive has cured.", "required", "request"),
			gate("background-plain", "Nothing patterned stands behind the board.", "required", "request"),
			gate("steering-straight", "The wheels point straight ahead.", "required", "leg"),
			gate("brakes-and-chocks", "The parking brake is on and the wheels are chocked.", "required", "leg"),
			battery,
			gate("doors-shut", "Doors, bonnet and boot are shut; nobody is in the car.", "required", "leg"),
			gate("light-even", "The light on the board is even.", "caution", "leg"),
			gate("area-marked", "The area is marked off.", "caution", "leg"),
		},
		"set_ups": []any{map[string]any{
			"name": setUp, "target": m.target, "limits": "stated",
			"setup": map[string]any{
				"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_mm": m.datumHigh,
				"line": "thrust-line", "distance_mm": m.distance, "height_mm": m.height, "positions": positions,
				"tolerance": map[string]any{
					"distance_mm": m.limitMM, "lateral_mm": m.limitMM, "height_mm": m.limitMM, "yaw_deg": m.limitDeg, "roll_deg": m.limitDeg,
				},
				"sensor_at_mm": map[string]any{"x": 2200, "y": 0, "z": 1310},
			},
		}},
	}
}
