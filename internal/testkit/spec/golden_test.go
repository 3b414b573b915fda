package spec_test

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/job"
	"readback/internal/register"
	"readback/internal/testkit/spec"
)

// goldens reads the trails of every release, of bundles too, by name.
func goldens(t *testing.T) map[string][]byte {
	t.Helper()
	trails := map[string][]byte{}
	names, err := filepath.Glob("../../../testdata/trail/golden/*/*.trail")
	require.NoError(t, err)
	for _, name := range names {
		trails[name], err = os.ReadFile(name)
		require.NoError(t, err)
	}
	bundles, err := filepath.Glob("../../../testdata/trail/golden/*/*.zip")
	require.NoError(t, err)
	require.NotEmpty(t, bundles)
	for _, name := range bundles {
		archive, err := zip.OpenReader(name)
		require.NoError(t, err)
		files := map[string]string{}
		for _, f := range archive.File {
			r, err := f.Open()
			require.NoError(t, err)
			raw, err := io.ReadAll(r)
			require.NoError(t, err)
			files[f.Name] = string(raw)
			if strings.HasSuffix(f.Name, ".trail") {
				trails[name+"/"+f.Name] = raw
			}
		}
		require.NoError(t, archive.Close())
		spec.Valid(t, "schema/bundle.json", spec.Text(t, files))
	}
	return trails
}

// unsealed puts a text that any key may hold in place of sealed values: what is plain in a command is sealed in its entry.
func unsealed(v any, texts map[string]string, key string) any {
	m, ok := v.(map[string]any)
	if !ok {
		return v
	}
	if _, sealed := m["sealed"]; sealed {
		if text, ok := texts[key]; ok {
			return text
		}
		return "text"
	}
	for k, each := range m {
		m[k] = unsealed(each, texts, k)
	}
	return m
}

// TestEntriesOfEveryRelease holds the trails of every release to entry.json and, personal values aside, the data in them to
// the schemas of commands. Every type of entry that the three kinds make occurs.
func TestEntriesOfEveryRelease(t *testing.T) {
	t.Parallel()
	seen := map[string]map[string]bool{"calibration": {}, "job": {}, "register": {}}
	for name, raw := range goldens(t) {
		for row := range bytes.SplitSeq(bytes.TrimSpace(raw), []byte("\n")) {
			_, body, ok := bytes.Cut(row, []byte(" "))
			require.True(t, ok, name)
			spec.Valid(t, "schema/entry.json", body)
			var e struct {
				Type    string
				Stream  struct{ Kind string }
				Command map[string]any
			}
			require.NoError(t, json.Unmarshal(body, &e))
			seen[e.Stream.Kind][e.Type] = true
			delete(e.Command, "mac")
			data := e.Command["data"].(map[string]any)
			for _, added := range []string{"vin_check", "vin_mark", "model_year", "estimate"} { // by the server, as entry.json says
				delete(data, added)
			}
			e.Command["data"] = unsealed(data, map[string]string{"vin": "ZZZDEM0A4CR000017"}, "")
			spec.Valid(t, "schema/"+e.Stream.Kind+"-commands.json", spec.Text(t, e.Command))
		}
	}
	for kind, all := range map[string][]string{"calibration": calibration.Entries(), "job": job.Entries(), "register": register.Entries()} {
		for _, typ := range all {
			require.True(t, seen[kind][typ], "no %s in the golden trails", typ)
		}
	}
	described := spec.Words(spec.At(t, spec.Document(t, "schema/entry.json"), "properties/type/enum"))
	known := map[string]any{}
	for _, all := range [][]string{calibration.Entries(), job.Entries(), register.Entries()} {
		for _, typ := range all {
			known[typ] = true
		}
	}
	require.ElementsMatch(t, described, spec.Keys(known))
}
