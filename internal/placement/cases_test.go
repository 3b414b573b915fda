package placement_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
)

// worked gives the worked cases by their number: see testdata/placement/README.md.
func worked(t testing.TB) map[string]placement.Case {
	t.Helper()
	files, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(t, err)
	require.Len(t, files, 60)
	cases := make(map[string]placement.Case, len(files))
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(t, err)
		c, err := placement.DecodeCase(raw)
		require.NoError(t, err, file)
		cases[strings.TrimSuffix(filepath.Base(file), ".case.json")] = c
	}
	return cases
}

// The limits within which two independent programs shall agree. They allow for where each stops iterating, which is
// far below anything a bay can measure.
const (
	agreeMM          = 0.01
	agreeDeg         = 0.001
	agreeU           = 0.01 // relative, of uncertainties and of standardised residuals beyond 0.05
	agreeProbability = 0.002
	agreeChiSquare   = 1e-3 // relative
)

func TestAgreesWithAnIndependentProgram(t *testing.T) {
	t.Parallel()
	for number, c := range worked(t) {
		t.Run(number, func(t *testing.T) {
			t.Parallel()
			raw, err := os.ReadFile("../../testdata/placement/" + number + ".expect.json")
			require.NoError(t, err)
			var want placement.Result
			d := json.NewDecoder(strings.NewReader(string(raw)))
			d.DisallowUnknownFields()
			require.NoError(t, d.Decode(&want))
			got, err := placement.Check(c)
			require.NoError(t, err)
			agree(t, want, got)
		})
	}
}

func agree(t *testing.T, want, got placement.Result) {
	t.Helper()
	require.Equal(t, want.Verdict, got.Verdict)
	require.Equal(t, want.Missing, got.Missing)
	require.Len(t, got.Deviation, len(want.Deviation))
	for q, e := range want.Deviation {
		require.InDelta(t, e, got.Deviation[q], unit(q), q)
		require.InEpsilon(t, want.StandardUncertainty[q], got.StandardUncertainty[q], agreeU, q)
		require.InDelta(t, want.ConformanceProbability[q], got.ConformanceProbability[q], agreeProbability, q)
	}
	require.Len(t, got.Readings, len(want.Readings))
	for i, r := range want.Readings {
		if math.Abs(r.StandardisedResidual) > 0.05 {
			require.InEpsilon(t, r.StandardisedResidual, got.Readings[i].StandardisedResidual, agreeU, "reading %d", i)
		}
		require.InDelta(t, r.Redundancy, got.Readings[i].Redundancy, 1e-3, "reading %d", i)
		require.Equal(t, r.SmallestErrorSeen == nil, got.Readings[i].SmallestErrorSeen == nil, "reading %d", i)
		if r.SmallestErrorSeen != nil {
			require.InEpsilon(t, *r.SmallestErrorSeen, *got.Readings[i].SmallestErrorSeen, agreeU, "reading %d", i)
		}
	}
	require.Equal(t, want.ReliesOn, got.ReliesOn)
	require.Len(t, got.Suspects, len(want.Suspects))
	for i, s := range want.Suspects {
		require.Equal(t, s.Reading, got.Suspects[i].Reading)
		require.InDelta(t, s.LikelyError, got.Suspects[i].LikelyError, agreeMM)
	}
	require.Equal(t, want.DegreesOfFreedom, got.DegreesOfFreedom)
	if want.ChiSquare != nil {
		require.InEpsilon(t, *want.ChiSquare, *got.ChiSquare, agreeChiSquare)
	}
	require.Equal(t, want.Closing, got.Closing)
	if want.Aim != nil {
		require.InDelta(t, want.Aim.AzimuthDeg, got.Aim.AzimuthDeg, agreeDeg)
		require.InDelta(t, want.Aim.ElevationDeg, got.Aim.ElevationDeg, agreeDeg)
	} else {
		require.Equal(t, placement.Undetermined, want.Verdict, "every worked case but these has an aim effect")
	}
}

func unit(q placement.Judged) float64 {
	if q.Unit() == placement.Deg {
		return agreeDeg
	}
	return agreeMM
}
