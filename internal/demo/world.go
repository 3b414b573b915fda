package demo

import (
	"encoding/json"
	"os"
	"path/filepath"

	"github.com/google/uuid"
)

// cast is who plays a story, and with which car. All are invented.
type cast struct {
	shop, desk string
	people     []part
	model      model
}

// part is one person of a cast.
type part struct {
	as     string // the name by which the story calls the person
	role   string
	signIn signIn
}

type signIn struct{ Name, Login, Password string }

// theFirst plays the main job.
func theFirst() cast {
	return cast{shop: "Demo Workshop North (invented)", desk: "Demo Desk (invented)", model: hatchback(), people: []part{
		{"technician", "technician", signIn{"Tamsin Exemplar (invented)", "tamsin@north.example", "bay clear and dry"}},
		{"specialist", "specialist", signIn{"Ines Beispiel (invented)", "ines@desk.example", "two words in sixty"}},
		{"owner", "owner", signIn{"Odile Exemplar (invented)", "odile@north.example", "who did what when"}},
	}}
}

// theSecond plays the story with a hand-over.
func theSecond() cast {
	return cast{shop: "Demo Garage South (invented)", desk: "Demo Late Desk (invented)", model: estate(), people: []part{
		{"technician", "technician", signIn{"Wen Voorbeeld (invented)", "wen@south.example", "chocks before words"}},
		{"specialist", "specialist", signIn{"Ayo Exempel (invented)", "ayo@late.example", "until half past five"}},
		{"relief", "specialist", signIn{"Mirte Ejemplo (invented)", "mirte@late.example", "from half past five"}},
		{"owner", "owner", signIn{"Sol Exemplaire (invented)", "sol@south.example", "signed and released"}},
	}}
}

// world is the invented shop and desk of a story, with the ids that its people use. Nothing in it is real.
type world struct {
	cast
	Shop, Desk  string
	Bay         string
	Fixture     string
	Dimensions  string
	Procedure   string
	Instruments map[string]string // by the name in kit
}

func newID() string { return uuid.Must(uuid.NewV7()).String() }

func newWorld(c cast) world {
	w := world{
		cast: c, Shop: newID(), Desk: newID(), Bay: newID(), Fixture: newID(), Dimensions: newID(), Procedure: newID(),
		Instruments: map[string]string{},
	}
	for name := range kit {
		w.Instruments[name] = newID()
	}
	return w
}

// members are the entries of those people who are of the desk, or of the shop.
func (w world) members(desk bool) (members []any) {
	for _, p := range w.people {
		if (p.role == "specialist") == desk {
			members = append(members, map[string]any{
				"name": p.signIn.Name, "roles": []string{p.role},
				"sign_in":     map[string]any{"login": p.signIn.Login, "password": p.signIn.Password},
				"competences": []any{map[string]any{"sensor": "front-camera", "expires": "2099-12-31"}},
			})
		}
	}
	return members
}

// documents are the import documents of the world, the desk's and the shop's.
func (w world) documents() (desk, shop map[string]any) {
	desk = map[string]any{
		"format":       "readback-register/1",
		"organisation": map[string]any{"id": w.Desk, "name": w.desk, "sort": "desk", "phone": "+00 555 0199"},
		"members":      w.members(true),
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
		"organisation": map[string]any{"id": w.Shop, "name": w.shop, "sort": "shop", "phone": "+00 555 0100"},
		"members":      w.members(false),
		"bays": []any{map[string]any{
			"id": w.Bay, "name": "Bay 1", "size_mm": map[string]any{"length": 12500, "width": 6200},
			"floor":    map[string]any{"wheels_mm": w.model.wheelsMM, "fixture_mm": w.model.fixtureMM},
			"surveyed": "2026-06-01", "expires": "2099-12-31",
		}},
		"instruments": instruments,
		"fixtures": []any{map[string]any{
			"id": w.Fixture, "name": "Board 1", "target": w.model.target,
			"fixture": map[string]any{"kind": "board", "half_width_mm": w.model.halfWidth, "carried": "stand"},
		}},
		"dimensions": []any{map[string]any{
			"id": w.Dimensions, "type": w.model.name, "source": "measured on two invented cars with tape and rule",
			"vehicle": w.model.dimensions(),
		}},
		"procedures": []any{map[string]any{"id": w.Procedure, "versions": []any{w.model.method()}}},
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
