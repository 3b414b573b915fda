package register_test

import (
	"encoding/json"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// counter gives ids in order.
func counter() func() stream.ID {
	n := 5000
	return func() stream.ID { n++; return id(n) }
}

func example(t *testing.T, name string) []byte {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/import/" + name)
	require.NoError(t, err)
	return raw
}

// give gives an import's commands as they stand, to a new register.
func give(t *testing.T, got register.Imported) *world {
	t.Helper()
	w := newWorld(t)
	w.fold = stream.NewFold(register.Rules{}, got.Organisation)
	key := stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: stream.ID{}}, Name: "organisation"}
	w.facts = stream.Facts{}
	for _, cmd := range append(got.Commands, got.Agreements...) {
		require.Equal(t, w.fold.Seq, cmd.Base)
		require.NoError(t, w.fold.CheckBase(cmd))
		if cmd.Type == "make-agreement" {
			var d struct{ Desk stream.ID }
			require.NoError(t, json.Unmarshal(cmd.Data, &d))
			key.Stream.ID = d.Desk
			w.facts[key] = stream.Fact{Key: key, Seq: 1, Value: json.RawMessage(`{"name":"x","sort":"desk","phone":""}`)}
		}
		w.must(server, cmd.Type, cmd.Data)
	}
	return w
}

func TestImportOfTheExamples(t *testing.T) {
	t.Parallel()
	shopDoc, err := register.Import(example(t, "shop.json"), counter())
	require.NoError(t, err)
	deskDoc, err := register.Import(example(t, "desk.json"), counter())
	require.NoError(t, err)

	s := give(t, shopDoc).state()
	org, _ := s.Organisation()
	require.Equal(t, register.Shop, org.Sort)
	require.Len(t, s.Members(), 2)
	require.Len(t, s.Bays(), 2)
	require.Len(t, s.Instruments(), 6)
	require.Equal(t, []register.Agreement{{Desk: deskDoc.Organisation}}, s.Agreements())
	surveyed := s.Bays()[0]
	require.Equal(t, &register.Size{Length: 12_500_000, Width: 6_200_000}, surveyed.Size)
	require.JSONEq(t, `{"wheels_um":{"front_left":0,"front_right":1500,"rear_left":-1000,"rear_right":500},"fixture_um":2000}`, string(surveyed.Floor))
	require.Empty(t, s.Bays()[1].Floor)
	require.JSONEq(t, `{"kind":"digital level","standard_uncertainty_udeg":60000}`, string(s.Instruments()[5].Instrument))
	require.JSONEq(t, vehicleUM, string(s.Dimensions()[0].Vehicle))

	d := give(t, deskDoc).state()
	require.Len(t, d.Members()[0].Competences, 2)
	require.Equal(t, "INV-0001", d.Members()[0].Competences[0].Proof)

	require.Equal(t, []string{"tamsin@north.example", "odile@north.example"}, []string{shopDoc.SignIns[0].Login, shopDoc.SignIns[1].Login})
	require.Equal(t, s.Members()[0].ID, shopDoc.SignIns[0].Member)
	for _, cmd := range append(shopDoc.Commands, deskDoc.Commands...) {
		for _, secret := range []string{"sign_in", "password", "demo ", "@north", "@desk"} {
			require.NotContains(t, string(cmd.Data), secret)
		}
	}
}

// What Import gives, Admit takes as it stands: whatever is wrong is said before the first command is given.
func TestImportGivesWhatAdmitTakes(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"shop.json", "desk.json"} {
		got, err := register.Import(example(t, name), counter())
		require.NoError(t, err)
		for _, cmd := range got.Commands {
			data, _, err := register.Rules{}.Admit(cmd)
			require.NoError(t, err)
			require.JSONEq(t, string(cmd.Data), string(data))
		}
	}
}

func TestImportNamesEveryFault(t *testing.T) {
	t.Parallel()
	whole := string(example(t, "shop.json"))
	for _, c := range []struct{ from, to, field string }{
		{`"readback-register/1"`, `"readback-register/2"`, "format"},
		{`"sort": "shop"`, `"sort": "garage"`, "organisation.sort"},
		{`"phone": "+00 555 0100"`, `"fax": "1"`, "organisation.fax"},
		{`"phone": "+00 555 0100"`, `"phone": "call Odile"`, "organisation.phone"},
		{`["technician"]`, `["boss"]`, "members[0].roles[0]"},
		{`"front-camera"`, `"front camera"`, "members[0].competences[0].sensor"},
		{`"proof": "INV-0003"`, `"proof": "of Tamsin"`, "members[0].competences[0].proof"},
		{`"login": "odile@north.example"`, `"login": "tamsin@north.example"`, "members[1].sign_in.login"},
		{`"password": "demo technician"`, `"pass": "x"`, "members[0].sign_in.password"},
		{`"length": 12500`, `"length": 1250`, "bays[0].size_mm.length"},
		{`"size_mm"`, `"size_um"`, "bays[0].size_um"},
		{`"front_right": 1.5`, `"front_right": 1500`, "bays[0].floor.wheels_mm.front_right"},
		{`"fixture_mm": 2`, `"fixture_um": 2000`, "bays[0].floor.fixture_um"},
		{`"surveyed": "2026-06-01"`, `"surveyed": "2026-06-31"`, "bays[0].surveyed"},
		{`"surveyed": "2026-06-01",`, ``, "bays[0].surveyed"},
		{`"standard_uncertainty_mm": 0.8`, `"standard_uncertainty_mm": 0.0001`, "instruments[1].instrument.standard_uncertainty_mm"},
		{`"standard_uncertainty_mm": 0.8`, `"standard_uncertainty_mm": 800`, "instruments[1].instrument.standard_uncertainty_mm"},
		{`"standard_uncertainty_mm": 0.8`, `"standard_uncertainty_mm": "0.8"`, "instruments[1].instrument.standard_uncertainty_mm"},
		{`"dated": "2026-05-04"`, `"dated": "2099-12-31"`, "instruments[0].due"},
		{`"half_width_mm": 800`, `"half_width_mm": 8`, "fixtures[0].fixture.half_width_mm"},
		{`"T-CAM-07"`, `"T CAM 07"`, "fixtures[0].target"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": 2.68`, "dimensions[0].vehicle.wheelbase_mm"},
		{`"wheelbase_mm": 2680,`, `"wheelbase_mm": 2680, "rear_toe_deg": {"left": 0, "right": 0},`, "dimensions[0].vehicle.rear_toe_deg"},
		{`"01940000-0000-7000-8000-0000000000f1"`, `"01940000-0000-7000-8000-0000000000c6"`, "fixtures[0].id"},
		{`"01940000-0000-7000-8000-0000000000f1"`, `"01940000-0000-7000-8000-0000000000F1"`, "fixtures[0].id"},
		{`{"desk": "01940000-0000-7000-8000-0000000000d0"}`, `{"desk": "north"}`, "agreements[0].desk"},
		{`{"desk": "01940000-0000-7000-8000-0000000000d0"}`, `{"desk": "01940000-0000-7000-8000-0000000000d0"}, {"desk": "01940000-0000-7000-8000-0000000000d0"}`, "agreements[1].desk"},
	} {
		require.Contains(t, whole, c.from)
		_, err := register.Import([]byte(strings.Replace(whole, c.from, c.to, 1)), counter())
		require.True(t, fault.Is(err, fault.InvalidInput), "%s: %v", c.to, err)
		var names []string
		for _, f := range fault.Of(err).Fields {
			names = append(names, f.Name)
			require.NotContains(t, f.Want, "micrometres", "the document is in millimetres")
		}
		require.Contains(t, names, c.field, c.to)
	}
	got, err := register.Import([]byte(strings.NewReplacer(`"sort": "shop"`, `"sort": "x"`, `"T-CAM-07"`, `7`).Replace(whole)), counter())
	require.Len(t, fault.Of(err).Fields, 3, "all faults at once: the target is named twice")
	require.Empty(t, got.Commands, "nothing of a document at fault is given out")
}

// TestDocumentationIsWhole: docs/import.md names the sensors, and every key that the published form has.
func TestDocumentationIsWhole(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../docs/import.md")
	require.NoError(t, err)
	published, err := os.ReadFile("../../api/schema/import.json")
	require.NoError(t, err)
	var form any
	require.NoError(t, json.Unmarshal(published, &form))
	for _, key := range properties(form) {
		require.Regexp(t, "[`{\" ]"+key+"[`\",}]", string(doc))
	}
	for _, s := range vehicle.Sensors() {
		require.Contains(t, string(doc), "`"+s+"`")
	}
	require.Contains(t, string(doc), register.Format)
}

// properties are the keys that a schema describes, at whatever depth.
func properties(schema any) (keys []string) {
	switch s := schema.(type) {
	case []any:
		for _, each := range s {
			keys = append(keys, properties(each)...)
		}
	case map[string]any:
		for name, each := range s {
			if described, ok := each.(map[string]any); ok && name == "properties" {
				keys = slices.AppendSeq(keys, maps.Keys(described))
			}
			keys = append(keys, properties(each)...)
		}
	}
	return keys
}

func FuzzImport(f *testing.F) {
	for _, name := range []string{"shop.json", "desk.json"} {
		raw, err := os.ReadFile("../../testdata/import/" + name)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		got, err := register.Import(raw, counter())
		if err != nil {
			require.NotEqual(t, fault.Internal, fault.Of(err).Kind(), err)
			return
		}
		for _, cmd := range append(got.Commands, got.Agreements...) {
			_, _, err := register.Rules{}.Admit(cmd)
			require.NoError(t, err)
		}
	})
}
