// Package spec reads the published descriptions (package api) for tests: it compiles their JSON Schemas with a library of
// its own, which knows nothing of this project, and gives what they list and what examples they show.
//
// Everything is compiled once and may be used by parallel tests.
package spec

import (
	"bytes"
	"encoding/json"
	"fmt"
	"path"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"

	"readback/api"
)

// base stands for the server; nothing is fetched from it.
const base = "https://readback.invalid/v1/"

// Files lists the descriptions: openapi.yaml, asyncapi.yaml, schema/….
func Files(t testing.TB) []string {
	t.Helper()
	names := []string{"asyncapi.yaml", "openapi.yaml"}
	all, err := api.Files().ReadDir("schema")
	require.NoError(t, err)
	for _, f := range all {
		names = append(names, "schema/"+f.Name())
	}
	return names
}

// Document is a description as JSON values, numbers as json.Number.
func Document(t testing.TB, name string) map[string]any {
	t.Helper()
	doc, err := load(name)
	require.NoError(t, err)
	return doc.(map[string]any)
}

func load(name string) (any, error) {
	raw, err := api.Files().ReadFile(name)
	if err != nil {
		return nil, err
	}
	if path.Ext(name) == ".yaml" {
		var v any
		if err := yaml.Unmarshal(raw, &v); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if raw, err = json.Marshal(v); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(raw))
}

// embedded loads what the compiler asks for, from the embedded files only.
type embedded struct{}

func (embedded) Load(url string) (any, error) {
	name, ours := strings.CutPrefix(url, base)
	if !ours {
		return nil, fmt.Errorf("%s is not one of the descriptions", url)
	}
	return load(name)
}

var (
	mu       sync.Mutex // guards what follows
	compiler *jsonschema.Compiler
	compiled = map[string]*jsonschema.Schema{}
)

// Schema compiles one: a file, or a place in one by JSON pointer, such as "asyncapi.yaml#/components/messages/beat/payload/schema".
func Schema(t testing.TB, at string) *jsonschema.Schema {
	t.Helper()
	mu.Lock()
	defer mu.Unlock()
	if compiler == nil {
		compiler = jsonschema.NewCompiler()
		compiler.DefaultDraft(jsonschema.Draft2020)
		compiler.UseLoader(embedded{})
		compiler.AssertFormat()
	}
	if s := compiled[at]; s != nil {
		return s
	}
	s, err := compiler.Compile(base + at)
	require.NoError(t, err, at)
	compiled[at] = s
	return s
}

// Check says what is wrong with a JSON text by a schema, or nil.
func Check(t testing.TB, at string, raw []byte) error {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	require.NoError(t, err, "%s", raw)
	return Schema(t, at).Validate(v)
}

// Valid wants a JSON text to be as a schema says.
func Valid(t testing.TB, at string, raw []byte) {
	t.Helper()
	if err := Check(t, at, raw); err != nil {
		t.Fatalf("not as %s says: %v\n%s", at, err, raw)
	}
}

// Text writes a value of a description as JSON.
func Text(t testing.TB, v any) []byte {
	t.Helper()
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	return raw
}

// At gives the value at a JSON pointer without escapes.
func At(t testing.TB, doc any, pointer string) any {
	t.Helper()
	for key := range strings.SplitSeq(strings.Trim(pointer, "/"), "/") {
		m, ok := doc.(map[string]any)
		require.True(t, ok, "%s: no object at %s", pointer, key)
		doc, ok = m[key]
		require.True(t, ok, "%s: nothing at %s", pointer, key)
	}
	return doc
}

// Keys are the sorted keys of an object.
func Keys(v any) []string {
	var keys []string
	for k := range v.(map[string]any) {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// Words is a list of strings.
func Words(v any) []string {
	var words []string
	for _, w := range v.([]any) {
		words = append(words, w.(string))
	}
	return words
}
