package placement_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/metrology"
	"readback/internal/placement"
)

// reflectorAt is a reflector 1830 mm ahead of the bumper of a car on its centreline, read by laser and plumb line, both known
// to u mm, with the limits of the distance as given.
func reflectorAt(t *testing.T, u, distance, offset float64, limits string) placement.Case {
	t.Helper()
	c, err := placement.DecodeCase(fmt.Appendf(nil, `{
		"vehicle": {"wheelbase_mm": 2540, "front_track_mm": 1585, "rear_track_mm": 1595, "front_overhang_mm": 870, "rear_overhang_mm": 760, "hub_height_mm": {"front": 366, "rear": 337}},
		"setup": {"sensor": "front-radar", "datum": "front-bumper", "line": "centreline", "distance_mm": 1830, "height_mm": 500,
			"positions": [{"name": "1", "lateral_mm": 0}], "tolerance": %s},
		"fixture": {"kind": "reflector"}, "position": "1",
		"instruments": {"laser": {"kind": "laser distance meter", "standard_uncertainty_mm": %g}, "plumb": {"kind": "plumb line", "standard_uncertainty_mm": 1}},
		"readings": [{"quantity": "datum-distance", "instrument": "laser", "value_mm": %g}, {"quantity": "centre-offset", "instrument": "plumb", "value_mm": %g}]}`,
		limits, u, distance, offset))
	require.NoError(t, err)
	return c
}

// TestLimitsBySide: one reading of 1 mm says where the reflector stands, but for a pull of 1/90,000 by the prior; with it
// everything is a matter of the normal distribution (JCGM 106:2012, clause 7).
func TestLimitsBySide(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		limits   string
		distance float64
		verdict  placement.Verdict
		p        float64 // Φ of the room over u
		to       string
		mm       float64
	}{
		{`{"upper": 5}`, 1700, placement.Within, 1, "", 0},                                                // 130 mm too near is as the source has it
		{`{"upper": 5}`, 1833, placement.Within, metrology.NormalCDF(2), "", 0},                           // 2 mm from the limit: 0.977
		{`{"upper": 5}`, 1834, placement.Unsure, metrology.NormalCDF(1), "towards-car", 4},                // 0.84; to the nominal
		{`{"upper": 5}`, 1840, placement.Adjust, metrology.NormalCDF(-5), "towards-car", 10},              // to the nominal
		{`{"upper": 2}`, 1840, placement.Adjust, metrology.NormalCDF(-8), "towards-car", 11},              // 1.645 and a step of 1 inside the limit: 0.645 below nominal
		{`{"lower": 0}`, 1829, placement.Adjust, metrology.NormalCDF(-1), "away", 4},                      // 1.645 + 1 above the limit, from −1
		{`{"lower": 0}`, 1835, placement.Within, metrology.NormalCDF(5), "", 0},                           //
		{`{"lower": -2, "upper": 10}`, 1838.1, placement.Within, metrology.NormalCDF(1.9), "", 0},         // 1.9 mm from the upper one
		{`{"lower": -2, "upper": 10}`, 1843, placement.Adjust, metrology.NormalCDF(-3), "towards-car", 9}, // to the middle, 4
		{`{"lower": 2, "upper": 10}`, 1830, placement.Adjust, metrology.NormalCDF(-2), "away", 6},         // the nominal is left out
		{`{"lower": -20, "upper": -10}`, 1816, placement.Within, 0.9999, "", 0},
	} {
		r := check(t, reflectorAt(t, 1, row.distance, 0, `{"distance_mm": `+row.limits+`}`))
		require.Equal(t, row.verdict, r.Verdict, "%s at %g", row.limits, row.distance)
		require.InDelta(t, row.p, r.ConformanceProbability[placement.DistanceMM], 2e-3, "%s at %g", row.limits, row.distance)
		moves := slices.Concat(r.Moves, r.Nudge)
		if row.to == "" {
			require.Empty(t, moves)
			continue
		}
		require.Len(t, moves, 1)
		require.Equal(t, row.to, moves[0].To, "%s at %g", row.limits, row.distance)
		require.InDelta(t, row.mm, *moves[0].MM, 0, "%s at %g", row.limits, row.distance)
	}
}

// What an uncertainty is held against where one side alone is limited: the room to the nominal, 5 mm at the least. Too coarse is
// more than 1/1.645 of it, unknown more than three times it; docs/uncertainty.md has the rule.
func TestOneSideAndPoorReadings(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		limits  string
		u       float64
		coarse  bool
		verdict placement.Verdict
	}{
		{`{"upper": 20}`, 12.1, false, placement.Within}, // 20/1.645 = 12.16
		{`{"upper": 20}`, 12.3, true, placement.Unsure},
		{`{"upper": 1}`, 3.0, false, placement.Unsure}, // 5/1.645 = 3.04
		{`{"upper": 1}`, 3.1, true, placement.Unsure},
		{`{"lower": 0}`, 14.9, true, placement.Unsure},
		{`{"lower": 0}`, 15.1, false, placement.Undetermined},
	} {
		r := check(t, reflectorAt(t, row.u, 1830, 0, `{"distance_mm": `+row.limits+`}`))
		require.Equal(t, row.verdict, r.Verdict, "%s known to %g", row.limits, row.u)
		require.Equal(t, row.coarse, len(r.TooCoarse) == 1, "%s known to %g", row.limits, row.u)
		if row.verdict == placement.Undetermined {
			require.Equal(t, []placement.Judged{placement.DistanceMM}, r.Missing)
		}
	}
	c := reflectorAt(t, 1, 1830, 0, `{"distance_mm": {"upper": 5}}`)
	c.Readings = c.Readings[1:]
	r := check(t, c)
	require.Equal(t, placement.Undetermined, r.Verdict, "nothing reads the distance")
	require.Equal(t, [][]placement.Ask{{{Quantity: placement.DatumDistance}}}, r.WouldFind[0].AnyOf[:1])
}

func TestLimitsAreRead(t *testing.T) {
	t.Parallel()
	setup := `{"sensor":"front-radar","datum":"front-bumper","line":"centreline","distance_mm":1830,"height_mm":500,"positions":[{"name":"1","lateral_mm":0}],"tolerance":%s}`
	for _, row := range []struct{ limits, field, want string }{
		{`{"distance_mm":{}}`, "setup.tolerance.distance_mm.upper", "or both"},
		{`{"distance_mm":{"upper":-5}}`, "setup.tolerance.distance_mm.upper", "0 or more"},
		{`{"distance_mm":{"lower":5}}`, "setup.tolerance.distance_mm.lower", "0 or less"},
		{`{"distance_mm":{"lower":5,"upper":5}}`, "setup.tolerance.distance_mm.upper", "above lower"},
		{`{"distance_mm":{"lower":5,"upper":-5}}`, "setup.tolerance.distance_mm.upper", "above lower"},
		{`{"distance_mm":{"upper":1000.5}}`, "setup.tolerance.distance_mm.upper", "1000 mm"},
		{`{"yaw_deg":{"lower":-46}}`, "setup.tolerance.yaw_deg.lower", "45 degrees"},
		{`{"distance_mm":{"upper":5,"t":5}}`, "setup.tolerance.distance_mm.t", ""},
		{`{"distance_mm":"5"}`, "setup.tolerance.distance_mm", "a number"},
		{`{"distance_mm":[5]}`, "setup.tolerance.distance_mm", "a number"},
	} {
		_, err := placement.DecodeSetup(fmt.Appendf(nil, setup, row.limits), "setup")
		require.True(t, fault.Is(err, fault.InvalidInput), row.limits)
		require.Len(t, fault.Of(err).Fields, 1, row.limits)
		require.Equal(t, row.field, fault.Of(err).Fields[0].Name)
		require.Contains(t, fault.Of(err).Fields[0].Want, row.want)
	}
	for _, text := range []string{`{"distance_mm":5}`, `{"distance_mm":{"upper":5}}`, `{"distance_mm":{"lower":-2,"upper":10}}`, `{"yaw_deg":{"lower":0}}`, `{"lateral_mm":{"lower":2,"upper":3}}`} {
		s, err := placement.DecodeSetup(fmt.Appendf(nil, setup, text), "setup")
		require.NoError(t, err, text)
		again, err := json.Marshal(s.Tolerance)
		require.NoError(t, err)
		require.JSONEq(t, text, string(again))
	}
}

// ±T is the same as −T and T stated side by side: to the byte, for every worked case.
func TestPlusMinusIsBothSides(t *testing.T) {
	t.Parallel()
	files := caseFiles(t)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		var doc map[string]any
		require.NoError(t, json.Unmarshal(files[name], &doc))
		tolerance := doc["setup"].(map[string]any)["tolerance"].(map[string]any)
		for q, v := range tolerance {
			tolerance[q] = map[string]any{"lower": -v.(float64), "upper": v}
		}
		raw, err := json.Marshal(doc)
		require.NoError(t, err)
		var got [2]string
		for i, text := range [][]byte{files[name], raw} {
			c, err := placement.DecodeCase(text)
			require.NoError(t, err)
			plan, err := placement.Plan(c)
			require.NoError(t, err)
			out, err := json.Marshal([]any{check(t, c), plan, c.Setup.Tolerance})
			require.NoError(t, err)
			got[i] = string(out)
		}
		require.Equal(t, got[0], got[1], name)
	}
}

// bySide draws other limits in place of each ±T, none of them narrower: one side, two that differ, or two on one side of nominal.
func bySide(t *rapid.T, all placement.Tolerance, take func(placement.Judged) bool) placement.Tolerance {
	out := placement.Tolerance{}
	for _, q := range placement.AllJudged() {
		l, judged := all[q]
		if !judged {
			continue
		}
		out[q] = l
		if !take(q) {
			continue
		}
		limit, _ := l.PlusMinus()
		part := func(name string) *float64 {
			v := limit * float64(rapid.IntRange(0, 3).Draw(t, name))
			return &v
		}
		down := func(v *float64) *float64 { return negated(v) }
		switch rapid.IntRange(0, 4).Draw(t, string(q)) {
		case 0:
			out[q] = placement.Limits{Upper: part("upper")}
		case 1:
			out[q] = placement.Limits{Lower: down(part("lower"))}
		case 2:
			upper := *part("upper") + 2*limit
			out[q] = placement.Limits{Lower: down(part("lower")), Upper: &upper}
		case 3:
			lower := *part("lower")
			upper := lower + 2*limit
			out[q] = placement.Limits{Lower: &lower, Upper: &upper}
		}
	}
	return out
}

// limits changes the sides of what the transformation turns over.
func (f transformed) limits(all placement.Tolerance) placement.Tolerance {
	out := placement.Tolerance{}
	for q, l := range all {
		if f.judged[q] < 0 {
			l = placement.Limits{Lower: negated(l.Upper), Upper: negated(l.Lower)}
		}
		out[q] = l
	}
	return out
}
