package outsider_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// object is a JSON object as this package sees it. Numbers are json.Number.
type object = map[string]any

// description is what a server publishes about itself, fetched from it. It may be used by parallel tests.
type description struct {
	files  map[string][]byte // by the path below /v1/, YAML made into JSON
	routes routers.Router

	mu       sync.Mutex // guards what follows
	compiler *jsonschema.Compiler
	compiled map[string]*jsonschema.Schema
	said     map[string]string // "client hello" → where its schema is
}

// nowhere is what the descriptions are called by to the libraries; nothing is fetched from it.
const nowhere = "https://server.invalid/v1/"

// fetch reads all that the server at the address publishes: both descriptions, and the schemas that the first one lists.
func fetch(t *testing.T, address string) *description {
	t.Helper()
	d := &description{files: map[string][]byte{}, compiled: map[string]*jsonschema.Schema{}, said: map[string]string{}}
	names := []string{"openapi.yaml", "asyncapi.yaml"}
	for i := 0; i < len(names); i++ {
		got, err := http.Get(address + "/v1/" + names[i])
		require.NoError(t, err)
		raw, err := io.ReadAll(got.Body)
		got.Body.Close()
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, got.StatusCode, names[i])
		if path.Ext(names[i]) == ".yaml" {
			var v any
			require.NoError(t, yaml.Unmarshal(raw, &v))
			raw, err = json.Marshal(v)
			require.NoError(t, err)
		}
		d.files[names[i]] = raw
		if i == 0 {
			for _, name := range d.at(t, "openapi.yaml#/paths/~1v1~1schema~1{name}/get/parameters/0/schema/enum").([]any) {
				names = append(names, "schema/"+name.(string))
			}
		}
	}
	http.DefaultClient.CloseIdleConnections()

	loader := openapi3.NewLoader()
	loader.ReadFromURIFunc = func(_ *openapi3.Loader, at *url.URL) ([]byte, error) { return d.read(at.Path) }
	doc, err := loader.LoadFromURI(&url.URL{Path: "openapi.yaml"})
	require.NoError(t, err)
	require.NoError(t, doc.Validate(context.Background()))
	d.routes, err = gorillamux.NewRouter(doc)
	require.NoError(t, err)

	d.compiler = jsonschema.NewCompiler()
	d.compiler.DefaultDraft(jsonschema.Draft2020)
	d.compiler.AssertFormat()
	d.compiler.UseLoader(d)
	for side, operation := range map[string]string{"client": "clientSays", "server": "serverSays"} {
		for _, m := range d.at(t, "asyncapi.yaml#/operations/"+operation+"/messages").([]any) {
			name := path.Base(m.(object)["$ref"].(string))
			at := "asyncapi.yaml#/components/messages/" + name + "/payload/schema"
			d.said[side+" "+d.at(t, at+"/properties/say/const").(string)] = at
		}
	}
	return d
}

func (d *description) read(name string) ([]byte, error) {
	raw, ok := d.files[strings.TrimPrefix(name, "/")]
	if !ok {
		return nil, fmt.Errorf("%s is not one of the descriptions", name)
	}
	return raw, nil
}

// Load is for the compiler of schemas.
func (d *description) Load(at string) (any, error) {
	raw, err := d.read(strings.TrimPrefix(at, nowhere))
	if err != nil {
		return nil, err
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(raw))
}

// at gives the value at a place, such as "schema/problem.json#/oneOf".
func (d *description) at(t *testing.T, place string) any {
	t.Helper()
	file, pointer, _ := strings.Cut(place, "#/")
	raw, err := d.read(file)
	require.NoError(t, err)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	require.NoError(t, err)
	for key := range strings.SplitSeq(pointer, "/") {
		key = strings.NewReplacer("~1", "/", "~0", "~").Replace(key)
		switch in := v.(type) {
		case object:
			v = in[key]
		case []any:
			n, err := json.Number(key).Int64()
			require.NoError(t, err, place)
			require.Less(t, int(n), len(in), place)
			v = in[n]
		}
		require.NotNil(t, v, "%s: nothing at %s", place, key)
	}
	return v
}

// example is the data of a command as the descriptions show it.
func (d *description) example(t *testing.T, kind, command string, n int) object {
	t.Helper()
	return d.at(t, fmt.Sprintf("schema/%s-commands.json#/$defs/%s/examples/%d", kind, command, n)).(object)
}

// holds wants a JSON text to be as the schema at a place says, and returns it read.
func (d *description) holds(t *testing.T, place string, raw []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	require.NoError(t, err, "%s", raw)
	d.mu.Lock()
	defer d.mu.Unlock()
	s := d.compiled[place]
	if s == nil {
		s, err = d.compiler.Compile(nowhere + place)
		require.NoError(t, err, place)
		d.compiled[place] = s
	}
	if err := s.Validate(v); err != nil {
		t.Fatalf("not as %s says: %v\n%s", place, err, raw)
	}
	return v
}

// message holds a frame of the side ("client" or "server") to the description of its message, and returns it read.
func (d *description) message(t *testing.T, side string, frame []byte) object {
	t.Helper()
	var m struct{ Say string }
	require.NoError(t, json.Unmarshal(frame, &m), "%s", frame)
	place := d.said[side+" "+m.Say]
	require.NotEmpty(t, place, "the %s says nothing like %s", side, frame)
	return d.holds(t, place, frame).(object)
}

// text makes a value into JSON.
func text(t *testing.T, v any) []byte {
	t.Helper()
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	return raw
}

// number reads a number out of JSON.
func number(t *testing.T, v any) int {
	t.Helper()
	n, err := v.(json.Number).Int64()
	require.NoError(t, err)
	return int(n)
}
