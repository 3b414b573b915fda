package httpapi

import (
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/spec"
)

// TestRoutesAreThoseDescribed compares the table of routes with the paths of openapi.yaml.
func TestRoutesAreThoseDescribed(t *testing.T) {
	t.Parallel()
	var served, described []string
	for pattern := range (&Server{}).routes() {
		served = append(served, strings.Replace(pattern, "{$}", "", 1))
	}
	for path, item := range spec.Document(t, "openapi.yaml")["paths"].(map[string]any) {
		for _, method := range spec.Keys(item) {
			if method != "parameters" {
				described = append(described, strings.ToUpper(method)+" "+path)
			}
		}
	}
	slices.Sort(served)
	slices.Sort(described)
	require.Equal(t, served, described)
}

// TestTheDocumentNamesEveryRoute compares the table of routes with that of docs/protocol.md.
func TestTheDocumentNamesEveryRoute(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../docs/protocol.md")
	require.NoError(t, err)
	named := map[string]bool{}
	own, _, _ := strings.Cut(string(doc), "\n### The Go client\n") // where each stands once more
	for _, row := range regexp.MustCompile("(?m)^\\| `[A-Z]+ /.*? \\| ").FindAllString(own, -1) {
		for _, m := range regexp.MustCompile("`([A-Z]+ /[^`?]*)").FindAllStringSubmatch(row, -1) {
			named[strings.NewReplacer("{kind}", "{kinds}", "{name}.json", "{name}").Replace(m[1])] = true
		}
	}
	served := map[string]bool{}
	for pattern := range (&Server{}).routes() {
		served[strings.Replace(pattern, "{$}", "", 1)] = true
	}
	require.Equal(t, slices.Sorted(maps.Keys(served)), slices.Sorted(maps.Keys(named)))
}
