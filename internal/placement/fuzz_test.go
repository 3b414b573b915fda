package placement_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/placement"
)

// firstLimit is the first ±T of a case.
var firstLimit = regexp.MustCompile(`("tolerance": \{\s*"[a-z]+_[a-z]+": )([0-9.]+)`)

// What decodes is valid, and every position of it can be checked and planned, whatever the numbers.
func FuzzDecodeCase(f *testing.F) {
	files, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(f, err)
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(raw)
		f.Add(firstLimit.ReplaceAll(raw, []byte(`${1}{"upper": ${2}}`)))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		c, err := placement.DecodeCase(raw)
		if err != nil {
			require.Equal(t, fault.Invalid, fault.Of(err).Kind())
			return
		}
		require.NoError(t, c.Validate())
		plan, err := placement.Plan(c)
		require.NoError(t, err)
		_, err = json.Marshal(plan)
		require.NoError(t, err)
		for _, p := range c.Setup.Positions {
			c.Position = p.Name
			r, err := placement.Check(c)
			if err != nil {
				require.Equal(t, fault.Invalid, fault.Of(err).Kind()) // a value is missing
				continue
			}
			_, err = json.Marshal(r)
			require.NoError(t, err)
		}
	})
}
