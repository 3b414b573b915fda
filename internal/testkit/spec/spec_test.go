package spec_test

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/spec"
)

// TestEverySchemaCompiles has each schema compiled by a library for JSON Schema 2020-12, against its metaschema too.
func TestEverySchemaCompiles(t *testing.T) {
	t.Parallel()
	for _, name := range spec.Files(t) {
		if strings.HasPrefix(name, "schema/") {
			spec.Schema(t, name)
			doc := spec.Document(t, name)
			require.Equal(t, strings.TrimPrefix(name, "schema/"), doc["$id"])
			require.NotEmpty(t, doc["title"], name)
			require.NotEmpty(t, doc["description"], name)
		}
	}
}

// TestReferencesLeadSomewhere compiles every schema that anything in any description points to.
func TestReferencesLeadSomewhere(t *testing.T) {
	t.Parallel()
	for _, name := range spec.Files(t) {
		var walk func(v any)
		walk = func(v any) {
			switch v := v.(type) {
			case map[string]any:
				if to, ok := v["$ref"].(string); ok && strings.Contains(to, ".json") {
					spec.Schema(t, strings.Replace("schema/"+to, "schema/schema/", "schema/", 1))
				}
				for _, inner := range v {
					walk(inner)
				}
			case []any:
				for _, inner := range v {
					walk(inner)
				}
			}
		}
		walk(spec.Document(t, name))
	}
}

// TestExamplesOfSchemas holds each example that a schema shows to the schema.
func TestExamplesOfSchemas(t *testing.T) {
	t.Parallel()
	n := 0
	for _, name := range spec.Files(t) {
		if !strings.HasPrefix(name, "schema/") {
			continue
		}
		var walk func(v any, pointer string)
		walk = func(v any, pointer string) {
			m, ok := v.(map[string]any)
			if !ok {
				return
			}
			if examples, ok := m["examples"].([]any); ok {
				for _, e := range examples {
					spec.Valid(t, name+pointer, spec.Text(t, e))
					n++
				}
			}
			if defs, ok := m["$defs"].(map[string]any); ok {
				for key, def := range defs {
					walk(def, "#/$defs/"+key)
				}
			}
		}
		walk(spec.Document(t, name), "")
	}
	require.Greater(t, n, 50)
}

// TestMeasuresAreTheCaseFileInWholeNumbers derives the integer form of each part of the case file from the decimal one,
// key by key and limit by limit, and wants the published one to be that.
func TestMeasuresAreTheCaseFileInWholeNumbers(t *testing.T) {
	t.Parallel()
	decimal := spec.Document(t, "schema/case.json")["$defs"].(map[string]any)
	whole := spec.Document(t, "schema/measures.json")["$defs"].(map[string]any)
	for key, def := range decimal {
		if key == "of_reflector" || key == "instrument_name" {
			continue // of the whole case only; an id of the register's in place of a name
		}
		name, scale := inWhole(key, 0)
		require.JSONEq(t, string(spec.Text(t, derived(t, def, scale))), string(spec.Text(t, whole[name])), key)
	}
	require.Len(t, whole, len(decimal)-1)
}

func inWhole(key string, scale int64) (string, int64) {
	if name, ok := strings.CutSuffix(key, "_mm"); ok {
		return name + "_um", 1000
	}
	if name, ok := strings.CutSuffix(key, "_deg"); ok {
		return name + "_udeg", 1_000_000
	}
	return key, scale
}

func derived(t *testing.T, v any, scale int64) any {
	t.Helper()
	switch v := v.(type) {
	case []any:
		out := make([]any, len(v))
		for i, each := range v {
			out[i] = derived(t, each, scale)
		}
		return out
	case map[string]any:
		out := map[string]any{}
		for key, each := range v {
			switch key {
			case "properties":
				inner := map[string]any{}
				for name, p := range each.(map[string]any) {
					renamed, by := inWhole(name, scale)
					inner[renamed] = derived(t, p, by)
				}
				out[key] = inner
			case "required":
				var names []any
				for _, name := range each.([]any) {
					renamed, _ := inWhole(name.(string), 0)
					names = append(names, renamed)
				}
				out[key] = names
			case "minimum", "maximum", "exclusiveMinimum":
				limit, err := each.(json.Number).Int64()
				require.NoError(t, err)
				require.NotZero(t, scale)
				out[key] = limit * scale
			case "type":
				out[key] = each
				if each == "number" {
					out[key] = "integer"
				}
			case "$ref":
				out[key], _ = inWhole(each.(string), 0)
			default:
				out[key] = derived(t, each, scale)
			}
		}
		return out
	}
	return v
}

// beyond are refusals of an import document that the schema leaves to its description.
var beyond = []string{"one that nothing else in use in this list has", "another owner who is not retired", "the id of a member whom the document lists"}

// TestImportDocuments holds the worked import documents to import.json, and wants the importer and the schema to refuse
// the same of them where a value is left out, is of another type or has a name that is not described.
func TestImportDocuments(t *testing.T) {
	t.Parallel()
	refused := 0
	for _, name := range []string{"shop.json", "desk.json", "grown.json"} {
		raw, err := os.ReadFile("../../../testdata/import/" + name)
		require.NoError(t, err)
		spec.Valid(t, "schema/import.json", raw)
		var doc map[string]any
		require.NoError(t, json.Unmarshal(raw, &doc))
		var walk func(v any)
		check := func(what string) {
			changed := spec.Text(t, doc)
			_, importer := register.Import(changed, stream.NewID)
			schema := spec.Check(t, "schema/import.json", changed)
			if schema == nil && importer != nil && slices.ContainsFunc(beyond, func(s string) bool { return strings.Contains(importer.Error(), s) }) {
				return
			}
			require.Equal(t, importer == nil, schema == nil, "%s, %s: %v\n%v", name, what, importer, schema)
			if schema != nil {
				refused++
			}
		}
		walk = func(v any) {
			switch v := v.(type) {
			case map[string]any:
				for _, key := range spec.Keys(v) {
					was := v[key]
					delete(v, key)
					check("without " + key)
					for _, wrong := range []any{nil, "", -1e9, 1.5, true, []any{}, map[string]any{}} {
						v[key] = wrong
						check(key + " changed")
					}
					v[key] = was
					if key != "versions" { // of a procedure, whose own tests hold the two to each other
						walk(was)
					}
				}
				for _, more := range []string{"extra", "retired", "ended"} {
					if _, there := v[more]; !there {
						v[more] = "x"
						check("with " + more)
						delete(v, more)
					}
				}
			case []any:
				for i := range v {
					walk(v[i])
				}
			}
		}
		procedures := doc["procedures"]
		delete(doc, "procedures") // they are long, and checked with every change of anything else
		walk(doc)
		if procedures != nil {
			doc = map[string]any{"format": doc["format"], "organisation": doc["organisation"], "members": doc["members"], "procedures": procedures}
			walk(procedures)
		}
	}
	require.Greater(t, refused, 1000)
}

// TestAsyncAPIDocument holds asyncapi.yaml to the schema that the AsyncAPI initiative publishes for such documents.
func TestAsyncAPIDocument(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../../../testdata/asyncapi/3.0.0.json")
	require.NoError(t, err)
	defer f.Close()
	published, err := jsonschema.UnmarshalJSON(f)
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft7)
	require.NoError(t, c.AddResource("http://asyncapi.com/definitions/3.0.0/asyncapi.json", published))
	s, err := c.Compile("http://asyncapi.com/definitions/3.0.0/asyncapi.json")
	require.NoError(t, err)
	doc := spec.Document(t, "asyncapi.yaml")
	require.NoError(t, s.Validate(doc))
	delete(doc["channels"].(map[string]any)["live"].(map[string]any), "address")
	doc["operations"].(map[string]any)["clientSays"].(map[string]any)["action"] = "shout"
	require.Error(t, s.Validate(doc), "the schema sees into the document")
}
