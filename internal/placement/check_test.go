package placement_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/placement"
)

// documented is the case of the published file format: three readings.
const documented = `{
  "vehicle": {"wheelbase_mm": 2680, "front_track_mm": 1560, "rear_track_mm": 1572, "front_overhang_mm": 890,
              "rear_overhang_mm": 760, "hub_height_mm": {"front": 325, "rear": 325},
              "rear_toe_deg": {"left": 0.20, "right": -0.10}},
  "floor": {"wheels_mm": {"front_left": 0, "front_right": 2, "rear_left": -1, "rear_right": 1}, "fixture_mm": -4},
  "setup": {"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_mm": 500,
            "line": "thrust-line", "distance_mm": 1480, "height_mm": 1260,
            "positions": [{"name": "1", "lateral_mm": 0}, {"name": "2", "lateral_mm": 620}, {"name": "3", "lateral_mm": -620}],
            "tolerance": {"distance_mm": 5, "lateral_mm": 5, "height_mm": 4, "yaw_deg": 0.4, "roll_deg": 0.4},
            "sensor_at_mm": {"x": 2200, "y": 0, "z": 1310}},
  "fixture": {"kind": "board", "half_width_mm": 1100, "end_above_target_mm": 0, "end_ahead_of_target_mm": 0, "carried": "slide"},
  "instruments": {"laser": {"kind": "laser distance meter", "standard_uncertainty_mm": 1.0},
                  "level": {"kind": "digital level", "standard_uncertainty_deg": 0.06}},
  "position": "1",
  "readings": [{"quantity": "datum-distance", "instrument": "laser", "value_mm": 1482.0},
               {"quantity": "span", "from": "front-left-hub", "to": "left-end", "instrument": "laser", "pointing_mm": 0.9, "value_mm": 2593.4},
               {"quantity": "level", "instrument": "level", "value_deg": 0.11}],
  "closing": []
}`

func TestThreeReadingsDoNotFindABoard(t *testing.T) {
	t.Parallel()
	raw, err := json.Marshal(check(t, decoded(t, documented)))
	require.NoError(t, err)
	var got map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &got))
	require.ElementsMatch(t, []string{"verdict", "missing", "would_find"}, keys(got), "and nothing else")
	require.JSONEq(t, `["lateral_mm", "height_mm", "yaw_deg"]`, string(got["missing"]))
	require.Contains(t, string(got["would_find"]), `{"for":"height_mm","any_of":[[{"quantity":"height"}],`)
}

// Before the first reading there is an answer too: everything judged is missing.
func TestNothingMeasured(t *testing.T) {
	t.Parallel()
	for number, c := range worked(t) {
		c.Readings, c.Closing = nil, nil
		r := check(t, c)
		require.Equal(t, placement.Undetermined, r.Verdict)
		require.Len(t, r.Missing, len(c.Setup.Tolerance), number)
		require.Len(t, r.WouldFind, len(c.Setup.Tolerance), number)
	}
}

func keys(m map[string]json.RawMessage) []string {
	var all []string
	for k := range m {
		all = append(all, k)
	}
	return all
}

// What would_find names is enough when it is taken.
func TestWhatWouldFindFinds(t *testing.T) {
	t.Parallel()
	found := 0
	for number, c := range worked(t) {
		r := check(t, c)
		for _, f := range r.WouldFind {
			for _, asks := range f.AnyOf {
				more := c
				more.Readings = slices.Clone(c.Readings)
				for _, a := range asks {
					in := coarsest(c, a.Quantity.Unit())
					more.Readings = append(more.Readings, placement.Reading{Quantity: a.Quantity, From: a.From, To: a.To, Instrument: in})
				}
				plan, err := placement.Plan(more)
				require.NoError(t, err)
				for _, p := range plan.Positions {
					if p.Name == c.Position {
						// The plan is at the nominal pose and the advice at the one found, up to a degree away.
						require.GreaterOrEqual(t, p.ToleranceOverUncertainty[f.For], 1.96*0.95, "%s %v", number, asks)
						found++
					}
				}
			}
		}
	}
	require.Positive(t, found)
}

func coarsest(c placement.Case, u placement.Unit) string {
	name, worst := "", 0.0
	for n, i := range c.Instruments {
		if s := i.StandardUncertaintyMM + i.StandardUncertaintyDeg; i.Unit() == u && (s > worst || s == worst && n < name) {
			name, worst = n, s
		}
	}
	return name
}

// closingCase is a slid board with plenty of readings, read exactly.
func closingCase(t testing.TB, closing ...placement.Reading) placement.Case {
	c := worked(t)["001"]
	c.Closing = closing
	return placement.ReadAt(c, "1", placement.Offset{3: 1})
}

func TestClosing(t *testing.T) {
	t.Parallel()
	span := func(from, to string) placement.Reading {
		return placement.Reading{Quantity: placement.Span, From: from, To: to, Instrument: "tape", PointingMM: 0.9}
	}
	left, right := span("front-left-hub", "left-end"), span("front-right-hub", "right-end")
	offset := placement.Reading{Quantity: placement.CentreOffset, Instrument: "plumb"}
	slid := placement.Reading{Quantity: placement.Slide, Instrument: "scale"}

	r := check(t, closingCase(t, left, right, offset))
	require.Equal(t, placement.Within, r.Verdict)
	require.Equal(t, &placement.Closing{Verdict: placement.Held, Sees: []placement.Judged{placement.DistanceMM, placement.YawDeg}},
		r.Closing, "not lateral: the target slides on the board and the slide was not read again")
	r = check(t, closingCase(t, left, right, offset, slid))
	require.Equal(t, []placement.Judged{placement.DistanceMM, placement.LateralMM, placement.YawDeg}, r.Closing.Sees)

	carried := worked(t)["001"]
	carried.Fixture.Carried = placement.CarriedStand
	carried.Readings = append(carried.Readings[:4:4], carried.Readings[5:]...) // without the slide
	carried.Closing = []placement.Reading{left, right, offset}
	r = check(t, placement.ReadAt(carried, "1", placement.Offset{}))
	require.Equal(t, []placement.Judged{placement.DistanceMM, placement.LateralMM, placement.YawDeg}, r.Closing.Sees)

	// A stand kicked 15 mm away after freezing.
	c := closingCase(t, left, right, offset)
	c.Closing = placement.ReadAt(c, "1", placement.Offset{3: 16}).Closing
	require.Equal(t, placement.Moved, check(t, c).Closing.Verdict)

	// Nothing is said of closing readings where the placement itself is not within.
	off := placement.ReadAt(c, "1", placement.Offset{3: 20})
	off.Closing = c.Closing
	require.Nil(t, check(t, off).Closing)
}

// A bent hook shifts every reading of its tape. With a third instrument for lengths the tape is named; with two that
// contradict each other nobody can say which of them is wrong.
func TestNamesTheInstrumentWhoseReadingsShareAnError(t *testing.T) {
	t.Parallel()
	exact := placement.ReadAt(worked(t)["001"], "2", placement.Offset{3: 2})
	bent := func(c placement.Case) placement.Case {
		c.Readings = slices.Clone(c.Readings)
		for i, r := range c.Readings {
			if v, _ := r.Value(); r.Instrument == "tape" {
				c.Readings[i] = r.With(v + 5)
			}
		}
		return c
	}
	two := check(t, bent(exact))
	require.Equal(t, placement.Remeasure, two.Verdict)
	require.Empty(t, two.Suspects)
	require.Equal(t, &placement.Shared{}, two.Shared)
	raw, err := json.Marshal(two)
	require.NoError(t, err)
	require.Contains(t, string(raw), `"suspects":[],"shared":null,`)

	exact.Instruments = maps.Clone(exact.Instruments)
	exact.Instruments["other laser"] = exact.Instruments["laser"]
	exact.Readings = slices.Clone(exact.Readings)
	again := exact.Readings[0]
	again.Instrument = "other laser"
	exact.Readings = append(exact.Readings, again)
	three := check(t, bent(exact))
	require.Equal(t, placement.Remeasure, three.Verdict)
	require.Empty(t, three.Suspects)
	require.Equal(t, &placement.Shared{Instrument: "tape"}, three.Shared)
}

func TestCopiedReadings(t *testing.T) {
	t.Parallel()
	c := placement.ReadAt(worked(t)["001"], "1", placement.Offset{})
	require.True(t, check(t, c).Copied)
	v, _ := c.Readings[3].Value()
	c.Readings[3] = c.Readings[3].With(v + 0.05)
	require.False(t, check(t, c).Copied)
}

// A single error of 40 mm is found by its reading, wherever it is checked well enough.
func TestFindsTheWrongReading(t *testing.T) {
	t.Parallel()
	c := placement.ReadAt(worked(t)["001"], "1", placement.Offset{3: 3, 4: -2})
	for i, r := range c.Readings {
		if r.Quantity != placement.Span {
			continue
		}
		wrong := c
		wrong.Readings = slices.Clone(c.Readings)
		v, _ := r.Value()
		wrong.Readings[i] = r.With(v + 40)
		got := check(t, wrong)
		require.Equal(t, placement.Remeasure, got.Verdict)
		require.Len(t, got.Suspects, 1)
		require.Equal(t, i, got.Suspects[0].Reading)
		require.InDelta(t, 40, got.Suspects[0].LikelyError, 0.01)
	}
}

// Nonsense within the physical range is answered, whatever it is: nothing panics and everything is JSON.
func TestAnswersNonsense(t *testing.T) {
	t.Parallel()
	cases := worked(t)
	verdicts := map[placement.Verdict]bool{}
	rapid.Check(t, func(t *rapid.T) {
		c := scenes(cases).Draw(t, "scene")
		for i, r := range c.Readings {
			reach := 20000.0
			if r.Quantity.Unit() == placement.Deg {
				reach = 45
			}
			if rapid.Bool().Draw(t, "nonsense") {
				c.Readings[i] = r.With(rapid.Float64Range(-reach, reach).Draw(t, "value"))
			}
		}
		r := check(t, c)
		verdicts[r.Verdict] = true
		_, err := json.Marshal(r)
		require.NoError(t, err)
	})
	require.True(t, verdicts[placement.Remeasure])
}

func ExampleCheck() {
	c, err := placement.DecodeCase([]byte(`{
	  "vehicle": {"wheelbase_mm": 2680, "front_track_mm": 1560, "rear_track_mm": 1572, "front_overhang_mm": 890,
	              "rear_overhang_mm": 760, "hub_height_mm": {"front": 325, "rear": 325}},
	  "setup": {"sensor": "front-radar", "datum": "front-bumper", "line": "centreline", "distance_mm": 1500, "height_mm": 600,
	            "positions": [{"name": "only", "lateral_mm": 0}],
	            "tolerance": {"distance_mm": 10, "lateral_mm": 5, "height_mm": 5}},
	  "fixture": {"kind": "reflector"},
	  "instruments": {"laser": {"kind": "laser distance meter", "standard_uncertainty_mm": 1},
	                  "rule": {"kind": "height rule", "standard_uncertainty_mm": 0.7}},
	  "position": "only",
	  "readings": [
	    {"quantity": "plan-span", "from": "front-left-hub", "to": "target", "instrument": "laser", "value_mm": 2517.8},
	    {"quantity": "plan-span", "from": "front-right-hub", "to": "target", "instrument": "laser", "value_mm": 2511.6},
	    {"quantity": "centre-offset", "instrument": "laser", "value_mm": -9.6},
	    {"quantity": "height", "instrument": "rule", "value_mm": 600.5}]}`))
	if err != nil {
		fmt.Println(err)
		return
	}
	r, err := placement.Check(c)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: lateral %.1f mm ± %.1f\n", r.Verdict, r.Deviation[placement.LateralMM], r.StandardUncertainty[placement.LateralMM])
	for _, m := range r.Moves {
		fmt.Println(m.Move, m.To, *m.MM, "mm")
	}
	// Output:
	// adjust: lateral -9.7 mm ± 0.9
	// shift left 10 mm
}
