package placement

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestDerivativesAgainstDifferences compares the derivatives of every reading of every worked case with central
// differences, at a pose well away from the nominal one. Every quantity must have been met.
func TestDerivativesAgainstDifferences(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	met := map[Quantity]bool{}
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		c, err := DecodeCase(raw)
		require.NoError(t, err, file)
		s, err := c.sceneAt(c.Position)
		require.NoError(t, err, file)
		n := c.network(s, c.Readings, nobody)
		x := n.state(s.nominal)
		for j := range x {
			x[j] += 0.07 * n.Unknowns[j].Prior * float64(1+j%3) // 21 to 63 mm, 0.35 to 1.05°, and the common parts a little
		}
		rows, cols := len(n.taken), len(x)
		at := func(x []float64) ([]float64, []float64) {
			value, jacobian := make([]float64, rows), make([]float64, rows*cols)
			n.Linearise(x, value, jacobian)
			return value, jacobian
		}
		_, jacobian := at(x)
		for j := range x {
			const h = 1e-3 // mm or degrees: the third derivative's share is below 1e-9 of a unit here
			ahead, behind := append([]float64(nil), x...), append([]float64(nil), x...)
			ahead[j] += h
			behind[j] -= h
			up, _ := at(ahead)
			down, _ := at(behind)
			for i := range rows {
				met[n.taken[i].quantity] = true
				want := (up[i] - down[i]) / (2 * h)
				// Values of some 6000 mm carry 1e-12 mm of rounding; over 2h that is 1e-9, and 1e-6 leaves room.
				require.InDelta(t, want, jacobian[i*cols+j], 1e-6*math.Max(1, math.Abs(want)),
					"%s: reading %d (%s) by unknown %d", filepath.Base(file), i, n.taken[i].quantity, j)
			}
		}
	}
	for _, q := range order {
		require.True(t, met[q], "no worked case has a %s", q)
	}
}
