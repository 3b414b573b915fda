package placement_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/testkit/spec"
)

func caseFiles(t *testing.T) map[string][]byte {
	t.Helper()
	names, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(t, err)
	require.Len(t, names, 60)
	files := map[string][]byte{}
	for _, name := range names {
		raw, err := os.ReadFile(name)
		require.NoError(t, err)
		files[filepath.Base(name)] = raw
	}
	return files
}

// TestCaseFilesAndResultsAreAsPublished holds the worked cases and what the check gives for them to the schemas.
func TestCaseFilesAndResultsAreAsPublished(t *testing.T) {
	t.Parallel()
	seen := map[placement.Verdict]bool{}
	for name, raw := range caseFiles(t) {
		spec.Valid(t, "schema/case.json", raw)
		c, err := placement.DecodeCase(raw)
		require.NoError(t, err, name)
		r, err := placement.Check(c)
		require.NoError(t, err, name)
		out, err := json.Marshal(r)
		require.NoError(t, err)
		spec.Valid(t, "schema/result.json", out)
		seen[r.Verdict] = true
		plan, err := placement.Plan(c)
		require.NoError(t, err, name)
		spec.Valid(t, "schema/plan.json", spec.Text(t, plan))
	}
	require.Len(t, seen, 5, "every verdict occurs")
}

// TestExampleCaseIsRead executes the examples that the schema shows: one to check, one to plan.
func TestExampleCaseIsRead(t *testing.T) {
	t.Parallel()
	for _, example := range spec.Document(t, "schema/case.json")["examples"].([]any) {
		c, err := placement.DecodeCase(spec.Text(t, example))
		require.NoError(t, err)
		if c.Position == "" {
			continue // TestExamplePlan
		}
		r, err := placement.Check(c)
		require.NoError(t, err)
		out, err := json.Marshal(r)
		require.NoError(t, err)
		spec.Valid(t, "schema/result.json", out)
	}
}

// TestExamplePlan executes the example of plan.json: it is what the second example of case.json plans to. What the spans
// should read is Pythagoras over the numbers of the case: from a front hub to the target there are 870 + 1830 mm along the
// car, 1585/2 mm and the lateral across it, and 500 − 366 mm in height.
func TestExamplePlan(t *testing.T) {
	t.Parallel()
	c, err := placement.DecodeCase(spec.Text(t, spec.Document(t, "schema/case.json")["examples"].([]any)[1]))
	require.NoError(t, err)
	got, err := placement.Plan(c)
	require.NoError(t, err)
	example := spec.Text(t, spec.Document(t, "schema/plan.json")["examples"].([]any)[0])
	spec.Valid(t, "schema/plan.json", example)
	var shown, planned any
	require.NoError(t, json.Unmarshal(example, &shown))
	require.NoError(t, json.Unmarshal(spec.Text(t, got), &planned))
	near(t, shown, planned, "plan")

	for i, lateral := range []float64{0, 600} {
		for j, hub := range []float64{792.5, -792.5} {
			want := math.Sqrt(2700*2700 + (lateral-hub)*(lateral-hub) + 134*134)
			require.InDelta(t, want, *got.Positions[i].Readings[1+j].ExpectedMM, 1e-9)
		}
	}
}

// near wants two JSON values to be the same, numbers to the six decimals that an example shows.
func near(t *testing.T, want, got any, at string) {
	t.Helper()
	switch want := want.(type) {
	case map[string]any:
		require.IsType(t, want, got, at)
		require.Equal(t, spec.Keys(want), spec.Keys(got), at)
		for key, each := range want {
			near(t, each, got.(map[string]any)[key], at+"."+key)
		}
	case []any:
		require.Len(t, got, len(want), at)
		for i, each := range want {
			near(t, each, got.([]any)[i], fmt.Sprintf("%s[%d]", at, i))
		}
	case float64:
		require.InDelta(t, want, got, 1e-6, at)
	default:
		require.Equal(t, want, got, at)
	}
}

// beyond are the faults that the schema leaves to its description, by what the decoder wants.
var beyond = []string{
	"a name that no other position has", "one of the case's instruments", "an instrument that reads", "a place at least 10 mm from the sensor",
	"above lower, the least deviation",
}

// TestDecoderAndSchemaRefuseTheSame changes each value of each worked case in turn, in ways that people and programs get
// it wrong, and wants the decoder and the published schema to agree on every one.
func TestDecoderAndSchemaRefuseTheSame(t *testing.T) {
	t.Parallel()
	refused, taken := 0, 0
	files, seen := caseFiles(t), map[string]bool{}
	const sided = "limits by side"
	files[sided] = spec.Text(t, spec.Document(t, "schema/case.json")["examples"].([]any)[0])
	for _, name := range slices.Sorted(maps.Keys(files)) {
		var doc map[string]any
		require.NoError(t, json.Unmarshal(files[name], &doc))
		if trim(doc, seen); len(doc["readings"].([]any)) == 0 && name != sided {
			continue // nothing in it that an earlier case has not shown
		}
		each(doc, func(what string) {
			raw, err := json.Marshal(doc)
			require.NoError(t, err)
			_, decoder := placement.DecodeCase(raw)
			schema := spec.Check(t, "schema/case.json", raw)
			switch {
			case decoder == nil && schema == nil:
				taken++
			case decoder != nil && schema != nil:
				refused++
			case schema != nil:
				t.Errorf("%s, %s: the decoder takes what the schema refuses: %v", name, what, schema)
			case !onlyBeyond(decoder, what):
				t.Errorf("%s, %s: the schema takes what the decoder refuses: %v", name, what, decoder)
			}
		})
	}
	require.Greater(t, refused, 3000)
	require.Greater(t, taken, 200)
	t.Logf("%d changes refused by both, %d taken by both", refused, taken)
}

// trim leaves of a case the readings of a kind that seen has not yet, per kind of fixture and datum, and the instruments they are
// taken with.
func trim(doc map[string]any, seen map[string]bool) {
	setup := doc["setup"].(map[string]any)
	kind := doc["fixture"].(map[string]any)["kind"].(string)
	if setup["datum"] == "sensor" {
		kind += " from the sensor "
	}
	keep := func(key string) (kept []any) {
		list, _ := doc[key].([]any)
		for _, r := range list {
			what := kind + key + r.(map[string]any)["quantity"].(string)
			if !seen[what] {
				seen[what] = true
				kept = append(kept, r)
			}
		}
		return kept
	}
	doc["readings"] = keep("readings")
	if closing := keep("closing"); closing != nil {
		doc["closing"] = closing
	} else {
		delete(doc, "closing")
	}
	if list := setup["positions"].([]any); len(list) > 2 {
		setup["positions"] = list[:2]
		doc["position"] = list[0].(map[string]any)["name"]
	}
	used := map[string]any{}
	for _, key := range []string{"readings", "closing"} {
		list, _ := doc[key].([]any)
		for _, r := range list {
			name := r.(map[string]any)["instrument"].(string)
			used[name] = doc["instruments"].(map[string]any)[name]
		}
	}
	doc["instruments"] = used
}

func onlyBeyond(err error, what string) bool {
	for _, f := range fault.Of(err).Fields {
		named := f.Name == "position" && strings.HasPrefix(f.Want, "one of ")
		if !named && !slices.ContainsFunc(beyond, func(w string) bool { return strings.HasPrefix(f.Want, w) }) {
			return false
		}
	}
	return true
}

// each changes every value inside v in turn, calls then, and puts it back.
func each(v any, then func(what string)) {
	switch v := v.(type) {
	case map[string]any:
		for _, key := range slices.Sorted(maps.Keys(v)) {
			was := v[key]
			delete(v, key)
			then("without " + key)
			for _, wrong := range []any{nil, "", -1e9, 1e9, 0, []any{}, "sensor", "reflector", "thrust-line", "span"} {
				v[key] = wrong
				then(key + " changed")
			}
			v[key] = was
			each(was, func(what string) { then(key + ": " + what) })
		}
		for _, more := range []string{"extra", "range_mm", "azimuth_deg", "value_deg", "common_deg", "plumbed", "lateral_mm", "from", "to"} {
			if _, there := v[more]; !there {
				v[more] = 1.5
				then("with " + more)
				delete(v, more)
			}
		}
	case []any:
		for i := range v {
			was := v[i]
			v[i] = "x"
			then("item changed")
			v[i] = was
			each(was, then)
		}
	}
}
