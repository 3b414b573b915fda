package deps

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// named is a test as docs/features.md names it, and as .ci/features reads it: package, function, perhaps a subtest.
var named = regexp.MustCompile("`([a-z][a-z0-9/]*) (Test[^/`]*)/?([^`]*)`")

// TestFeaturesNameTests: each row of docs/features.md names tests, and each of them is in the source. What they come to is
// for make features, which runs them; here a test that was renamed is found at once.
func TestFeaturesNameTests(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(filepath.Join(root(t), "docs/features.md"))
	require.NoError(t, err)
	rows := 0
	sources := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "| --- ") || strings.HasPrefix(line, "| what ") {
			continue
		}
		rows++
		tests := named.FindAllStringSubmatch(line, -1)
		require.NotEmpty(t, tests, "no test: %s", line)
		require.Equal(t, strings.Count(line[strings.LastIndex(line, " | "):], "`"), 2*len(tests), "a name that is not read as one: %s", line)
		for _, m := range tests {
			dir := filepath.Join(root(t), "internal", m[1])
			if _, err := os.Stat(dir); err != nil {
				dir = filepath.Join(root(t), m[1])
			}
			if sources[dir] == "" {
				files, err := filepath.Glob(filepath.Join(dir, "*_test.go"))
				require.NoError(t, err)
				for _, f := range files {
					raw, err := os.ReadFile(f)
					require.NoError(t, err)
					sources[dir] += string(raw)
				}
			}
			require.Contains(t, sources[dir], "\nfunc "+m[2]+"(t *testing.T)", "%s has no %s", m[1], m[2])
			if sub := m[3]; sub != "" {
				_, err := os.Stat(filepath.Join(root(t), "testdata", m[1], sub+".txtar"))
				require.True(t, err == nil || strings.Contains(sources[dir], `"`+sub+`"`), "%s %s has no %s", m[1], m[2], sub)
			}
		}
	}
	require.Greater(t, rows, 50)
}

// TestDevelopersFindEveryPackage: the table in DEVELOPERS.md has each of them, under internal/ or by its last word.
func TestDevelopersFindEveryPackage(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile(filepath.Join(root(t), "DEVELOPERS.md"))
	require.NoError(t, err)
	listed := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		if cells := strings.SplitN(line, "|", 4); len(cells) == 4 {
			for _, m := range regexp.MustCompile("`(?:internal/)?([a-z]+)`").FindAllStringSubmatch(cells[1], -1) {
				listed[m[1]] = true
			}
		}
	}
	packages, err := os.ReadDir(filepath.Join(root(t), "internal"))
	require.NoError(t, err)
	for _, p := range packages {
		require.True(t, listed[p.Name()], "internal/%s has no row", p.Name())
	}
}
