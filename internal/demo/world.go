package demo

import (
	"encoding/json"
	"os"
	"path/filepath"

	"github.com/google/uuid"
)

// world is the invented shop and desk of the demo, with the ids that its people use. Nothing in it is real.
type world struct {
	Shop, Desk  string
	Bay         string
	Fixture     string
	Dimensions  string
	Procedure   string
	Instruments map[string]string // by the name in kit
	SignIns     map[string]signIn // by role; the shop's owner under "owner"
}

type signIn struct{ Name, Login, Password string }

// The demo car, in mm and degrees: what the shop measured and entered. The rear toes make a thrust angle of 0.15°
// to the right.
const (
	wheelbase     = 2680.0
	frontTrack    = 1560.0
	rearTrack     = 1572.0
	frontOverhang = 890.0
	rearOverhang  = 760.0
	hubHeight     = 325.0
	toeLeft       = 0.20
	toeRight      = -0.10
	thrust        = (toeLeft - toeRight) / 2

	// The invented service information: the board 3 m ahead of the front axle.
	distance  = 3000 - frontOverhang
	height    = 1260.0
	lateral   = 620.0
	datumHigh = 500.0
	limitMM   = 5.0
	limitDeg  = 0.3
	halfWidth = 800.0
	target    = "DEMO-T7"
)

// The bay's floor in mm: heights at the wheels against gravity, and at the board.
var wheelsMM = map[string]float64{"front_left": 0, "front_right": 2, "rear_left": -1, "rear_right": 1}

const fixtureMM = -4.0

func newID() string { return uuid.Must(uuid.NewV7()).String() }

func newWorld() world {
	w := world{
		Shop: newID(), Desk: newID(), Bay: newID(), Fixture: newID(), Dimensions: newID(), Procedure: newID(), Instruments: map[string]string{},
		SignIns: map[string]signIn{
			"technician": {"Tamsin Exemplar (invented)", "tamsin@north.example", "bay clear and dry"},
			"specialist": {"Ines Beispiel (invented)", "ines@desk.example", "two words in sixty"},
			"owner":      {"Odile Exemplar (invented)", "odile@north.example", "who did what when"},
		},
	}
	for name := range kit {
		w.Instruments[name] = newID()
	}
	return w
}

// documents are the import documents of the world, the desk's and the shop's.
func (w world) documents() (desk, shop map[string]any) {
	member := func(role string) map[string]any {
		s := w.SignIns[role]
		return map[string]any{
			"name": s.Name, "roles": []string{role}, "sign_in": map[string]any{"login": s.Login, "password": s.Password},
			"competences": []any{map[string]any{"sensor": "front-camera", "expires": "2099-12-31"}},
		}
	}
	desk = map[string]any{
		"format":       "readback-register/1",
		"organisation": map[string]any{"id": w.Desk, "name": "Demo Desk (invented)", "sort": "desk", "phone": "+00 555 0199"},
		"members":      []any{member("specialist")},
	}
	kinds := map[string]map[string]any{
		"laser": {"kind": "laser distance meter"}, "tape": {"kind": "steel tape"}, "rule": {"kind": "height rule"},
		"level": {"kind": "digital level"},
	}
	var instruments []any
	for _, name := range []string{"laser", "tape", "rule", "level"} {
		i := kinds[name]
		unit := "_mm"
		if name == "level" {
			unit = "_deg"
		}
		i["standard_uncertainty"+unit] = kit[name].uncertainty
		instruments = append(instruments, map[string]any{
			"id": w.Instruments[name], "name": "Demo " + name, "instrument": i, "due": "2099-12-31",
			"certificate": map[string]any{"number": "INVENTED-" + name, "dated": "2026-05-04"},
		})
	}
	shop = map[string]any{
		"format":       "readback-register/1",
		"organisation": map[string]any{"id": w.Shop, "name": "Demo Workshop North (invented)", "sort": "shop", "phone": "+00 555 0100"},
		"members":      []any{member("owner"), member("technician")},
		"bays": []any{map[string]any{
			"id": w.Bay, "name": "Bay 1", "size_mm": map[string]any{"length": 12500, "width": 6200},
			"floor":    map[string]any{"wheels_mm": wheelsMM, "fixture_mm": fixtureMM},
			"surveyed": "2026-06-01", "expires": "2099-12-31",
		}},
		"instruments": instruments,
		"fixtures": []any{map[string]any{
			"id": w.Fixture, "name": "Board 1", "target": target,
			"fixture": map[string]any{"kind": "board", "half_width_mm": halfWidth, "carried": "stand"},
		}},
		"dimensions": []any{map[string]any{
			"id": w.Dimensions, "type": "Demo car (invented)", "source": "measured on two invented cars with tape and rule",
			"vehicle": map[string]any{
				"wheelbase_mm": wheelbase, "front_track_mm": frontTrack, "rear_track_mm": rearTrack,
				"front_overhang_mm": frontOverhang, "rear_overhang_mm": rearOverhang,
				"hub_height_mm": map[string]any{"front": hubHeight, "rear": hubHeight},
			},
		}},
		"procedures": []any{map[string]any{"id": w.Procedure, "versions": []any{method()}}},
		"agreements": []any{map[string]any{"desk": w.Desk}},
	}
	return desk, shop
}

// write puts the documents into dir and gives their paths.
func (w world) write(dir string) ([]string, error) {
	desk, shop := w.documents()
	var files []string
	for name, doc := range map[string]map[string]any{"desk.json": desk, "shop.json": shop} {
		raw, err := json.MarshalIndent(doc, "", "  ")
		if err != nil {
			return nil, err
		}
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, raw, 0o600); err != nil {
			return nil, err
		}
		files = append(files, file)
	}
	return files, nil
}

// setUp is the name of the procedure's only set-up.
const setUp = "board ahead"

// method is the procedure for the front camera as the shop wrote it from the invented service information.
func method() map[string]any {
	gate := func(name, asks, grade, by string) map[string]any {
		return map[string]any{"gate": name, "asks": asks, "grade": grade, "by": by, "evidence": "declared"}
	}
	battery := gate("battery-voltage", "A supply holds the battery, in its supply mode.", "required", "leg")
	battery["evidence"], battery["value"] = "measured", map[string]any{"unit": "V", "lower": 12.5}
	battery["limits"], battery["expires_min"] = "stated", 120
	return map[string]any{
		"format": "readback-procedure/1", "title": "Front camera, three positions (invented)", "sensor": "front-camera",
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
			"name": setUp, "target": target, "limits": "stated",
			"setup": map[string]any{
				"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_mm": datumHigh,
				"line": "thrust-line", "distance_mm": distance, "height_mm": height,
				"positions": []any{
					map[string]any{"name": "1", "lateral_mm": 0},
					map[string]any{"name": "2", "lateral_mm": lateral},
					map[string]any{"name": "3", "lateral_mm": -lateral},
				},
				"tolerance": map[string]any{
					"distance_mm": limitMM, "lateral_mm": limitMM, "height_mm": limitMM, "yaw_deg": limitDeg, "roll_deg": limitDeg,
				},
				"sensor_at_mm": map[string]any{"x": 2200, "y": 0, "z": 1310},
			},
		}},
	}
}
