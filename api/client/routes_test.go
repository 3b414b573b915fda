package client_test

import (
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/testkit/spec"
)

// TestTheDocumentSaysHowEachRouteIsCalled: docs/protocol.md names for every route of openapi.yaml the method of this package that
// calls it, each once, and a method for each of DELETE.
func TestTheDocumentSaysHowEachRouteIsCalled(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../docs/protocol.md")
	require.NoError(t, err)
	_, rest, there := strings.Cut(string(raw), "\n### The Go client\n")
	require.True(t, there)
	text, _, _ := strings.Cut(rest, "\n## ")
	methods := map[string]bool{}
	for _, of := range []any{&client.Client{}, &client.Live{}, &client.Relay{}} {
		for m := range reflect.TypeOf(of).Methods() {
			methods[m.Name] = true
		}
	}
	var named []string
	quoted := regexp.MustCompile("`([^`]+)`")
	for _, row := range regexp.MustCompile(`(?m)^\| ([^|]+) \| ([^|]+) \|`).FindAllStringSubmatch(text, -1) {
		routes, by := quoted.FindAllStringSubmatch(row[1], -1), quoted.FindAllStringSubmatch(row[2], -1)
		for _, r := range routes {
			named = append(named, r[1])
			require.NotEmpty(t, by, r[1])
			if strings.HasPrefix(r[1], "DELETE ") {
				require.NotEqual(t, "Delete", by[0][1], "by a method of its own")
			}
		}
		for _, m := range by {
			require.True(t, methods[m[1]], "there is no method %s", m[1])
		}
	}
	var described []string
	for path, item := range spec.Document(t, "openapi.yaml")["paths"].(map[string]any) {
		for _, method := range spec.Keys(item) {
			if method != "parameters" {
				described = append(described, strings.ToUpper(method)+" "+path)
			}
		}
	}
	slices.Sort(named)
	slices.Sort(described)
	require.Equal(t, described, named)
}
