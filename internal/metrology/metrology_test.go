package metrology_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/metrology"
)

// Quantiles computed with mpmath at 40 digits (testdata/quantiles). 1e-12 is ten times the largest error that gonum
// v0.17 shows on these rows.
func TestQuantiles(t *testing.T) {
	t.Parallel()
	f, err := os.Open("../../testdata/quantiles/quantiles.csv")
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	checked := 0
	for _, row := range rows[1:] {
		p, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		want, err := strconv.ParseFloat(row[3], 64)
		require.NoError(t, err)
		switch row[0] {
		case "normal":
			require.InEpsilon(t, p, metrology.NormalCDF(want), 1e-12, row)
		case "chi2":
			dof, err := strconv.Atoi(row[1])
			require.NoError(t, err)
			require.InEpsilon(t, want, metrology.ChiSquareQuantile(p, dof), 1e-12, row)
		default:
			continue
		}
		checked++
	}
	require.Equal(t, 12+231, checked)
}

// Worked probabilities of JCGM 106:2012, from memory and recomputed: the Zener diode of 7.3 (0.92 printed), the oil of
// 7.4 (0.66 printed) and the speed limit of 8.3 (107 km/h printed).
func TestJCGM106(t *testing.T) {
	t.Parallel()
	none := math.Inf(1)
	require.InDelta(t, 0.91924334076623, metrology.ConformanceBetween(-5.47, 0.05, -none, -5.40), 1e-12)
	require.InDelta(t, 0.91924334076623, metrology.ConformanceBetween(5.47, 0.05, 5.40, none), 1e-12)
	require.InDelta(t, 0.66262978649531, metrology.ConformanceBetween(13.6, 1.8, 12.5, 16.3), 1e-12)
	require.InDelta(t, 0.95, metrology.ConformanceBetween(-1.6448536269514727, 1, -none, 0), 1e-12) // the 95 % point of the normal distribution, from tables
	// 8.3 asks which reading v of 2 % relative uncertainty is above 100 km/h with 99.9 %: 106.5876, and no lower.
	const speed = 106.58760948538
	require.InDelta(t, 0.999, metrology.ConformanceBetween(speed, 0.02*speed, 100, none), 1e-12)
}

// Table 1 of ILAC-G8:09/2019, from memory, its probabilities recomputed: the largest risk that a value accepted with a
// guard band of w·U, U = 2u, is really outside a wide tolerance.
func TestGuardBands(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ w, risk, printed float64 }{
		{3, 9.86587645038e-10, 1e-6},   // 6 sigma: below 1 ppm
		{1.5, .00134989803163, 0.0016}, // 3 sigma: below 0.16 %
		{1, .0227501319482, 0.025},     // below 2.5 %
		{0.83, .0484572262667, 0.05},   // ISO 14253-1:2017: below 5 %
		{0, .5, 0.5 + 1e-12},           // simple acceptance: up to 50 %
	} {
		const u, limit = 1.0, 100.0
		risk := metrology.NormalCDF((limit - row.w*2*u - limit) / u)
		require.InEpsilon(t, row.risk, risk, 1e-11)
		require.Less(t, risk, row.printed)
		require.InDelta(t, 1-row.risk, metrology.ConformanceBetween(limit-row.w*2*u, u, -limit, limit), 1e-12)
	}
}

// Below T/u = 1.96 nothing conforms with 95 %, not even a value that is exactly nominal; for widths of 5u and more the one-sided
// 1.645u is enough on either side (computed for this project, by the whole width of the tolerance over u).
func TestTwoSidedLimits(t *testing.T) {
	t.Parallel()
	require.Less(t, metrology.ConformanceBetween(0, 1, -1.9599, 1.9599), 0.95)
	require.Greater(t, metrology.ConformanceBetween(0, 1, -metrology.Within, metrology.Within), 0.95)
	for width, guard := range map[float64]float64{10: 1.644853627, 6: 1.644918117, 5: 1.648766524, 4: 1.796212721} {
		half := width / 2
		require.InDelta(t, 0.95, metrology.ConformanceBetween(half-guard, 1, -half, half), 1e-9, "width %vu", width)
		require.Equal(t, metrology.ConformanceBetween(half-guard, 1, -half, half), metrology.ConformanceBetween(guard-half, 1, -half, half))
	}
}

func ExampleConformanceBetween() {
	// A target 3.1 mm too close, known to 0.6 mm, with a limit of ±5 mm.
	fmt.Printf("%.4f\n", metrology.ConformanceBetween(-3.1, 0.6, -5, 5))
	// Output: 0.9992
}
