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
		var got float64
		switch dof, _ := strconv.Atoi(row[1]); row[0] {
		case "normal":
			got = metrology.NormalQuantile(p)
		case "chi2":
			got = metrology.ChiSquareQuantile(p, dof)
		case "t":
			got = metrology.StudentQuantile(p, dof)
		default:
			continue
		}
		if want == 0 {
			require.InDelta(t, 0, got, 1e-15, row)
		} else {
			require.InEpsilon(t, want, got, 1e-12, row)
		}
		checked++
	}
	require.Equal(t, 12+231+216, checked)
}

// Worked probabilities of JCGM 106:2012, from memory and recomputed: the Zener diode of 7.3 (0.92 printed), the oil of
// 7.4 (0.66 printed) and, inverted, the speed limit of 8.3 (107 km/h printed).
func TestJCGM106(t *testing.T) {
	t.Parallel()
	none := math.Inf(1)
	require.InDelta(t, 0.91924334076623, metrology.ConformanceBetween(-5.47, 0.05, -none, -5.40), 1e-12)
	require.InDelta(t, 0.91924334076623, metrology.ConformanceBetween(5.47, 0.05, 5.40, none), 1e-12)
	require.InDelta(t, 0.66262978649531, metrology.ConformanceBetween(13.6, 1.8, 12.5, 16.3), 1e-12)
	require.InDelta(t, 0.66262978649531, metrology.Conformance(13.6-14.4, 1.8, 1.9), 1e-12)
	require.InDelta(t, 0.95, metrology.ConformanceBetween(-1.6448536269514727, 1, -none, 0), 1e-12) // the 95 % point of the normal distribution, from tables
	limit := 100 / (1 - 0.02*metrology.NormalQuantile(0.999))
	require.InDelta(t, 106.58760948538, limit, 1e-9)
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
		require.InDelta(t, 1-row.risk, metrology.Conformance(limit-row.w*2*u, u, limit), 1e-12)
	}
}

// Below T/u = 1.96 nothing conforms with 95 %, not even a value that is exactly nominal; for widths of 5u and more the one-sided
// 1.645u is enough on either side (computed for this project, by the whole width of the tolerance over u).
func TestTwoSidedLimits(t *testing.T) {
	t.Parallel()
	require.Less(t, metrology.Conformance(0, 1, 1.9599), 0.95)
	require.Greater(t, metrology.Conformance(0, 1, 1.96), 0.95)
	for width, guard := range map[float64]float64{10: 1.644853627, 6: 1.644918117, 5: 1.648766524, 4: 1.796212721} {
		require.InDelta(t, 0.95, metrology.Conformance(width/2-guard, 1, width/2), 1e-9, "width %vu", width)
		require.Equal(t, metrology.Conformance(width/2-guard, 1, width/2), metrology.Conformance(guard-width/2, 1, width/2))
	}
}

// Directive 2014/32/EU, annex X: the limits of common tapes in mm.
func TestTapes(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		class         metrology.TapeClass
		length, limit float64
	}{
		{metrology.ClassI, 5000, 0.6}, {metrology.ClassI, 10000, 1.1},
		{metrology.ClassII, 3000, 0.9}, {metrology.ClassII, 5000, 1.3}, {metrology.ClassII, 8000, 1.9}, {metrology.ClassII, 9001, 2.3},
		{metrology.ClassIII, 5000, 2.6}, {metrology.ClassIII, 10000, 4.6},
	} {
		require.InDelta(t, row.limit, metrology.TapeLimitMM(row.class, row.length), 1e-12)
	}
	require.InDelta(t, 0.75, metrology.FromLimit(metrology.TapeLimitMM(metrology.ClassII, 5000)), 0.005, "common practice")
	require.InDelta(t, 5, metrology.Combine(3, 4), 1e-15)
	require.InDelta(t, 1, metrology.FromExpanded(2, 2), 0)
}

func ExampleConformance() {
	// A target 3.1 mm too close, known to 0.6 mm, with a limit of ±5 mm.
	fmt.Printf("%.4f\n", metrology.Conformance(-3.1, 0.6, 5))
	// Output: 0.9992
}
