package httpapi

import (
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
