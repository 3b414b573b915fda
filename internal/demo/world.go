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
)

// The bay's floor in mm: heights at the wheels against gravity, and at the board.
var wheelsMM = map[string]float64{"front_left": 0, "front_right": 2, "rear_left": -1, "rear_right": 1}

const fixtureMM = -4.0

func newID() string { return uuid.Must(uuid.NewV7()).String() }

func newWorld() world {
	w := world{
		Shop: newID(), Desk: newID(), Bay: newID(), Fixture: newID(), Dimensions: newID(), Instruments: map[string]string{},
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
			"id": w.Fixture, "name": "Board 1", "target": "DEMO-T7",
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

// setup is the set-up sheet's numbers as commands carry them.
func (w world) setup() map[string]any {
	um := func(mm float64) int64 { return int64(mm * 1e3) }
	udeg := func(deg float64) int64 { return int64(deg * 1e6) }
	return map[string]any{
		"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_um": um(datumHigh),
		"line": "thrust-line", "distance_um": um(distance), "height_um": um(height),
		"positions": []any{
			map[string]any{"name": "1", "lateral_um": 0},
			map[string]any{"name": "2", "lateral_um": um(lateral)},
			map[string]any{"name": "3", "lateral_um": um(-lateral)},
		},
		"tolerance": map[string]any{
			"distance_um": um(limitMM), "lateral_um": um(limitMM), "height_um": um(limitMM),
			"yaw_udeg": udeg(limitDeg), "roll_udeg": udeg(limitDeg),
		},
		"sensor_at_um": map[string]any{"x": 2_200_000, "y": 0, "z": 1_310_000},
	}
}
