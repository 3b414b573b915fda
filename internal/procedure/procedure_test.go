package procedure_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/testkit/spec"
	"readback/internal/yamljson"
)

const (
	authoredSchema = "schema/procedure.json"
	wholeSchema    = "schema/procedure.json#/$defs/whole"
)

// text is an example as it was written.
func text(t testing.TB, name string) string {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/procedures/" + name + ".yaml")
	require.NoError(t, err)
	return string(raw)
}

// fromYAML is the JSON of a document.
func fromYAML(t testing.TB, doc string) json.RawMessage {
	t.Helper()
	d, err := yamljson.Convert([]byte(doc))
	require.NoError(t, err)
	return d.JSON
}

func examples(t testing.TB) []string {
	t.Helper()
	files, err := filepath.Glob("../../testdata/procedures/*.yaml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 3)
	for i, f := range files {
		files[i] = strings.TrimSuffix(filepath.Base(f), ".yaml")
	}
	return files
}

// Each example is as the schema says, and each of its two forms reads as the same procedure.
func TestExamples(t *testing.T) {
	t.Parallel()
	for _, name := range examples(t) {
		raw := fromYAML(t, text(t, name))
		spec.Valid(t, authoredSchema, raw)
		p, err := procedure.Decode(raw, "")
		require.NoError(t, err, name)
		require.Contains(t, p.Title, "(invented)")

		whole, err := p.Whole()
		require.NoError(t, err)
		spec.Valid(t, wholeSchema, whole)
		again, err := procedure.DecodeWhole(whole, "")
		require.NoError(t, err)
		require.Equal(t, p, again)

		authored, err := p.Authored()
		require.NoError(t, err)
		require.JSONEq(t, string(raw), string(authored), "nothing that was written is lost or changed")
		back, err := procedure.Decode(authored, "")
		require.NoError(t, err)
		require.Equal(t, p, back)
	}
}

func TestFrontCamera(t *testing.T) {
	t.Parallel()
	p, err := procedure.Decode(fromYAML(t, text(t, "front-camera")), "")
	require.NoError(t, err)
	require.Equal(t, procedure.Source{Title: "Invented service information, front camera", Dated: "2026-03-01", Version: "4"}, p.Source)
	s, ok := p.SetUp("board ahead")
	require.True(t, ok)
	require.Equal(t, []string{"middle", "left", "right"}, s.Positions())
	require.Equal(t, 1350.0, *s.Placement().HeightMM)
	require.Contains(t, string(s.Setup), `"height_um":1350000`)
	require.Equal(t, procedure.Step{Kind: procedure.GoToPosition, Position: "left"}, s.Steps[3])

	volts := p.Gates[slices.IndexFunc(p.Gates, func(g procedure.Gate) bool { return g.Name == "battery-voltage" })]
	require.Equal(t, "mV", volts.Value.Unit)
	require.True(t, volts.Value.Holds(12_500), "an end belongs to the range")
	require.False(t, volts.Value.Holds(12_499))
	require.True(t, volts.Value.Holds(99_000), "one-sided: there is no upper limit")
	require.False(t, volts.Value.Caution.Holds(12_999))
	require.Equal(t, "at least 12.5 V", volts.Value.Range.Say(volts.Value.Unit))
	require.Equal(t, "13 V to 14.5 V", volts.Value.Caution.Say(volts.Value.Unit))
	require.Len(t, p.LimitsBy(), 1)
}

// broken are changes to the examples, each with the field it is refused for. beyond: only a decoder can tell; the schema
// sees one place at a time.
var broken = []struct {
	example, from, to, field string
	beyond                   bool
}{
	{"front-camera", "readback-procedure/1", "readback-procedure/2", "format", false},
	{"front-camera", "sensor: front-camera\nsource", "sensor: crystal-ball\nsource", "sensor", false},
	{"front-camera", "sensor: front-camera\nsource", "sensor: rear-camera\nsource", "set_ups[0].setup.sensor", true},
	{"front-camera", "  version: \"4\"\n", "", "source.version", false},
	{"front-camera", "  version: \"4\"", "  version: 4", "source.version", false},
	{"front-camera", "  dated: 2026-03-01\n", "", "source.dated", false},
	{"front-camera", "2026-03-01", "2026-02-30", "source.dated", true},
	{"front-camera", "  title: Invented service information, front camera\n", "", "source.title", false},
	{"front-camera", "gate: space-clear", "gate: floor-surveyed", "gates[1].gate", true},
	{"front-camera", "gate: space-clear", "gate: Space clear", "gates[1].gate", false},
	{"front-camera", "grade: caution", "grade: advisory", "gates[5].grade", false},
	{"front-camera", "lower: -0.1, upper: 0.1", "lower: 0.1, upper: -0.1", "gates[2].value.upper", true},
	{"front-camera", "lower: -0.1, upper: 0.1", "lower: -0.1, upper: -0.1", "gates[2].value.upper", true},
	{"front-camera", "lower: -0.1, upper: 0.1", "lower: -0.1, upper: 21", "gates[2].value.upper", false},
	{"front-camera", "unit: bar", "unit: psi", "gates[2].value.unit", false},
	{"front-camera", "value: {unit: C}", "value: {lower: 5}", "gates[9].value.unit", false},
	{"front-camera", "value: {unit: C}", "value: {unit: C, around: 20}", "gates[9].value.around", false},
	{"front-camera", "    value: {unit: C}\n", "", "gates[9].value", false},
	{"front-camera", "    value: {unit: C}\n", "    value: {unit: C}\n    limits: stated\n", "gates[9].limits", false},
	{"front-camera", "    limits: stated\n    expires_min: 480", "    expires_min: 480", "gates[2].limits", false},
	{"front-camera", "    limits: stated\n    expires_min: 480", "    limits: none\n    expires_min: 480", "gates[2].limits", false},
	{"front-camera", "    limits_by: 01940000-0000-7000-8000-0000000000a1\n", "", "gates[5].limits_by", false},
	{"front-camera", "01940000-0000-7000-8000-0000000000a1", "Odile", "gates[5].limits_by", false},
	{"front-camera", "    limits: stated\n    expires_min: 480", "    limits: stated\n    limits_by: 01940000-0000-7000-8000-0000000000a1", "gates[2].limits_by", false},
	{"front-camera", "lower: 13.0", "lower: 12.5", "gates[4].value.caution.lower", true},
	{"front-camera", "lower: 13.0", "lower: 12.0", "gates[4].value.caution.lower", true},
	{"front-camera", "lower: 13.0, upper: 14.5", "upper: 12.4", "gates[4].value.caution.upper", true},
	{"front-camera", "caution: {lower: 13.0, upper: 14.5}", "caution: {}", "gates[4].value.caution", false},
	{"front-camera", "      lower: 12.5\n", "", "gates[4].value.caution", false},
	{"front-camera", "value: {unit: lx, lower: 300, upper: 1000}", "value: {unit: lx, lower: 300, caution: {lower: 400}}", "gates[5].value.caution", false},
	{"front-camera", "value: {unit: lx, lower: 300, upper: 1000}", "value: {unit: lx, lower: 300.5}", "gates[5].value.lower", false},
	{"front-camera", "    grade: caution\n    by: leg", "    grade: caution\n    by: request", "gates[5].by", false},
	{"front-camera", "    grade: recorded\n    by: leg", "    grade: recorded\n    by: request", "gates[9].by", false},
	{"front-camera", "by: leg\n    evidence: measured\n    value: {unit: C}", "by: leg\n    evidence: declared\n    value: {unit: C}", "gates[9].evidence", false},
	{"front-camera", "expires_min: 480", "expires_min: 0", "gates[2].expires_min", false},
	{"front-camera", "target: T-CAM-07", "target: T CAM 07", "set_ups[0].target", false},
	{"front-camera", "    target: T-CAM-07\n", "", "set_ups[0].target", false},
	{"front-camera", "datum: front-bumper", "datum: emblem", "set_ups[0].setup.datum", false},
	{"front-camera", "distance_mm: 1500", "distance_um: 1500000", "set_ups[0].setup.distance_um", false},
	{"front-camera", "distance_mm: 5,", "distance_mm: 0,", "set_ups[0].setup.tolerance.distance_mm", false},
	{"front-camera", "distance_mm: 5,", "sideways_mm: 5,", "set_ups[0].setup.tolerance.sideways_mm", false},
	{"front-camera", "distance_mm: 5,", "distance_mm: {upper: -5},", "set_ups[0].setup.tolerance.distance_mm.upper", false},
	{"front-camera", "distance_mm: 5,", "distance_mm: {lower: 5, upper: 5},", "set_ups[0].setup.tolerance.distance_mm.upper", true},
	{"front-camera", "yaw_deg: 0.4,", "yaw_deg: {},", "set_ups[0].setup.tolerance.yaw_deg.upper", false},
	{"front-camera", "{name: left, lateral_mm: 620}", "{name: middle, lateral_mm: 620}", "set_ups[0].setup.positions[1].name", true},
	{"front-camera", "position: left}", "position: port}", "set_ups[0].steps[3].position", true},
	{"front-camera", "      - {step: go-to-position, position: right}\n", "", "set_ups[0].steps", true},
	{"front-camera", "{step: set-height}", "{step: set-distance}", "set_ups[0].steps[2].step", true},
	{"front-camera", "{step: set-height}", "{step: levitate}", "set_ups[0].steps[2].step", false},
	{"front-camera", "{step: set-height}", "{step: set-height, position: left}", "set_ups[0].steps[2].position", false},
	{"front-camera", ", position: left}", "}", "set_ups[0].steps[3].position", false},
	{"front-radar", "    limits: own\n    limits_by: 01940000-0000-7000-8000-0000000000a1\n    steps", "    steps", "set_ups[0].limits", false},
	{"road-drive", "    by: request", "    by: leg", "gates[0].by", false},
	{"front-camera", "    by: leg", "    by: drive", "gates[4].by", false},
	{"road-drive", "      minutes: {lower: 10, upper: 45}", "      minutes: {upper: 45}\n      unbroken: true", "drive.windows[0].unbroken", false},
	{"road-drive", "    grade: required", "    grade: caution", "gates[0].by", false},
	{"road-drive", "{lower: 60, upper: 100}", "{lower: 100, upper: 60}", "drive.windows[0].speed_kmh.upper", true},
	{"road-drive", "{lower: 60, upper: 100}", "{lower: 60, upper: 300}", "drive.windows[0].speed_kmh.upper", false},
	{"road-drive", "{lower: 60, upper: 100}", "{}", "drive.windows[0].speed_kmh.lower", false},
	{"road-drive", "distance_m: {lower: 12000}", "distance_m: {lower: 75001}", "drive.windows[0].distance_m.lower", true}, // 100 km/h for 45 min is 75 km
	{"road-drive", "distance_m: {lower: 12000}", "distance_m: {upper: 9999}", "drive.windows[0].distance_m.upper", true},  // 60 km/h for 10 min is 10 km
	{"road-drive", "{lower: 10, upper: 45}", "{lower: 45, upper: 10}", "drive.windows[0].minutes.upper", true},
	{"road-drive", "      minutes: {lower: 5}\n", "", "drive.windows[1].minutes", false},
	{"road-drive", "window: town", "window: main-road", "drive.windows[1].window", true},
	{"road-drive", "condition: dry", "condition: daylight", "drive.conditions[1].condition", true},
	{"road-drive", "      asks: The road is dry and it does not rain.\n", "", "drive.conditions[0].asks", false},
}

func TestBrokenDocuments(t *testing.T) {
	t.Parallel()
	for _, b := range broken {
		doc := text(t, b.example)
		require.Contains(t, doc, b.from)
		raw := fromYAML(t, strings.Replace(doc, b.from, b.to, 1))
		_, err := procedure.Decode(raw, "")
		require.True(t, fault.Is(err, fault.InvalidInput), "%s: %v", b.to, err)
		var names []string
		for _, f := range fault.Of(err).Fields {
			names = append(names, f.Name)
			require.NotEmpty(t, f.Want)
		}
		require.Contains(t, names, b.field, b.to)
		schema := spec.Check(t, authoredSchema, raw)
		require.Equal(t, b.beyond, schema == nil, "%s %s: %v", b.field, b.to, schema)
	}
}

func TestDrivableToTheMetre(t *testing.T) {
	t.Parallel()
	doc := text(t, "road-drive")
	for _, to := range []string{"distance_m: {lower: 75000}", "distance_m: {lower: 1, upper: 10000}"} {
		_, err := procedure.Decode(fromYAML(t, strings.Replace(doc, "distance_m: {lower: 12000}", to, 1)), "")
		require.NoError(t, err, to)
	}
}

func TestAllFaultsTogether(t *testing.T) {
	t.Parallel()
	doc := strings.NewReplacer("unit: bar", "unit: psi", "  version: \"4\"\n", "", "target: T-CAM-07", "target: T CAM", "lateral_mm: 620", "lateral_mm: wide",
		"position: right}", "position: right, side: near}").Replace(text(t, "front-camera"))
	_, err := procedure.Decode(fromYAML(t, doc), "data.procedure")
	var names []string
	for _, f := range fault.Of(err).Fields {
		names = append(names, f.Name)
	}
	require.ElementsMatch(t, []string{
		"data.procedure.source.version", "data.procedure.set_ups[0].target", "data.procedure.set_ups[0].setup.positions[1].lateral_mm",
		"data.procedure.gates[2].value.unit", "data.procedure.set_ups[0].steps[4].side",
	}, names)
}

// Limits are said side by side in the words of their quantity.
func TestLimitsAreSaid(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ was, is, want string }{
		{"distance_mm: 5,", "distance_mm: {lower: -5, upper: 5},", "distance ±5 mm, lateral ±5 mm"},
		{"distance_mm: 5,", "distance_mm: {upper: 7.5},", "distance at most 7.5 mm too far, lateral"},
		{"distance_mm: 5,", "distance_mm: {lower: -2, upper: 10},", "distance at most 10 mm too far and at most 2 mm too near, lateral"},
		{"distance_mm: 5,", "distance_mm: {lower: 2, upper: 10},", "distance at most 10 mm too far and at least 2 mm too far, lateral"},
		{"lateral_mm: 5,", "lateral_mm: {lower: -3},", "lateral at most 3 mm too far to vehicle right, height"},
		{"yaw_deg: 0.4,", "yaw_deg: {lower: 0},", "yaw at most 0 deg too far clockwise from above, roll"},
	} {
		p, err := procedure.Decode(fromYAML(t, strings.Replace(text(t, "front-camera"), c.was, c.is, 1)), "")
		require.NoError(t, err, c.is)
		require.Contains(t, p.Describe(), c.want)
	}
}

// Where a value is left out, is of another type or has a name that is not described, the decoder and the schema refuse the
// same, in both forms.
func TestSchemaAndDecoderAgree(t *testing.T) {
	t.Parallel()
	beyond := []string{"one of the set-up's positions", "the procedure is for that", "a step go-to-position to", "another step than", "a day of the calendar",
		"above lower", "a caution is stricter", "below the upper limit", "that no other", "which is as far as"}
	refused := 0
	for _, name := range examples(t) {
		for _, form := range []struct {
			schema string
			write  func(*procedure.Procedure) (json.RawMessage, error)
			read   func(json.RawMessage, string) (procedure.Procedure, error)
		}{
			{authoredSchema, (*procedure.Procedure).Authored, procedure.Decode},
			{wholeSchema, (*procedure.Procedure).Whole, procedure.DecodeWhole},
		} {
			p, err := procedure.Decode(fromYAML(t, text(t, name)), "")
			require.NoError(t, err)
			raw, err := form.write(&p)
			require.NoError(t, err)
			var doc map[string]any
			require.NoError(t, json.Unmarshal(raw, &doc))
			check := func(what string) {
				changed := spec.Text(t, doc)
				_, decoder := form.read(changed, "")
				schema := spec.Check(t, form.schema, changed)
				if schema == nil && decoder != nil && slices.ContainsFunc(beyond, func(s string) bool { return strings.Contains(decoder.Error(), s) }) {
					return
				}
				require.Equal(t, decoder == nil, schema == nil, "%s, %s: %v\n%v", name, what, decoder, schema)
				if schema != nil {
					refused++
				}
			}
			var walk func(v any)
			walk = func(v any) {
				switch v := v.(type) {
				case map[string]any:
					for _, key := range spec.Keys(v) {
						was := v[key]
						delete(v, key)
						check("without " + key)
						for _, wrong := range []any{nil, "", -1e9, 1.25, true, []any{}, map[string]any{}} {
							v[key] = wrong
							check(key + " changed")
						}
						v[key] = was
						walk(was)
					}
					v["extra"] = "x"
					check("with extra")
					delete(v, "extra")
				case []any:
					seen := map[string]bool{} // one of each shape is enough
					for i := range v {
						shape := "x"
						if m, ok := v[i].(map[string]any); ok {
							shape = strings.Join(spec.Keys(m), " ")
						}
						if !seen[shape] {
							seen[shape] = true
							walk(v[i])
						}
					}
				}
			}
			walk(doc)
		}
	}
	require.Greater(t, refused, 1000)
}

// What decodes is the same procedure in both forms, and the same again.
func FuzzDecode(f *testing.F) {
	for _, name := range examples(f) {
		raw := fromYAML(f, text(f, name))
		f.Add([]byte(raw), true)
		p, err := procedure.Decode(raw, "")
		require.NoError(f, err)
		whole, err := p.Whole()
		require.NoError(f, err)
		f.Add([]byte(whole), false)
	}
	f.Fuzz(func(t *testing.T, raw []byte, authored bool) {
		read := procedure.DecodeWhole
		if authored {
			read = procedure.Decode
		}
		p, err := read(raw, "")
		if err != nil {
			require.Equal(t, fault.Invalid, fault.Of(err).Kind(), err)
			return
		}
		whole, err := p.Whole()
		require.NoError(t, err)
		again, err := procedure.DecodeWhole(whole, "")
		require.NoError(t, err)
		require.Equal(t, p, again)
		decimals, err := p.Authored()
		require.NoError(t, err)
		again, err = procedure.Decode(decimals, "")
		require.NoError(t, err)
		require.Equal(t, p, again)
		sum, err := again.Whole()
		require.NoError(t, err)
		require.Equal(t, procedure.Digest(whole), procedure.Digest(sum))
	})
}
