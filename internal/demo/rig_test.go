package demo

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/placement"
)

// TestRigAgainstPlacement measures boards with perfect instruments and asks package placement where they stand. The two
// are written apart from each other, so each checks the other's geometry: sides, signs, floor, thrust line.
func TestRigAgainstPlacement(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom([]model{hatchback(), estate()}).Draw(t, "model")
		r := newRig(m, 1)
		lat := rapid.SampledFrom(m.positions).Draw(t, "position").lateral
		off := func(name string, most float64) float64 { return rapid.Float64Range(-most, most).Draw(t, name) }
		distance, across, up := m.distance+off("distance", 40), lat+off("lateral", 40), m.height+off("height", 20)
		yaw, roll, tilt := off("yaw", 1.5), off("roll", 1), off("tilt", 1)
		e, n := r.car.along(), r.car.across()
		s := e.dot(r.datum) + distance
		r.board.middle = vec{e.x*s + n.x*across, e.y*s + n.y*across, up}
		r.board.yaw, r.board.roll, r.board.tilt = -r.car.thrust+yaw*degree, roll*degree, tilt*degree

		c, err := placement.DecodeCase(caseOf(t, m, r, lat))
		require.NoError(t, err)
		got, err := placement.Check(c)
		require.NoError(t, err)
		// Readings are exact. The check takes the floor under the nominal place and the rig the one under the true place, up
		// to 57 mm away on slopes of 1.3 mm/m: 0.08 mm of height, which tilts of 1° turn into no more of anything else.
		for q, want := range map[placement.Judged]float64{
			placement.DistanceMM: e.dot(r.board.middle) - e.dot(r.datum) - m.distance, placement.LateralMM: across - lat,
			placement.HeightMM: up - m.height, placement.YawDeg: yaw, placement.RollDeg: roll,
		} {
			require.InDelta(t, want, got.Deviation[q], 0.09, string(q))
		}
	})
}

func caseOf(t *rapid.T, m model, r *rig, lat float64) []byte {
	var readings []any
	for _, a := range asks() {
		d := map[string]any{"quantity": a.quantity, "instrument": a.instrument}
		if a.from != "" {
			d["from"] = a.from
		}
		if a.to != "" {
			d["to"] = a.to
		}
		unit := "value_mm"
		if a.instrument == "level" {
			unit = "value_deg"
		}
		d[unit] = r.truth(a)
		readings = append(readings, d)
	}
	instruments := map[string]any{}
	for name, k := range kit {
		unit := "standard_uncertainty_mm"
		if name == "level" {
			unit = "standard_uncertainty_deg"
		}
		instruments[name] = map[string]any{"kind": name, unit: k.uncertainty}
	}
	vehicle := m.dimensions()
	vehicle["rear_toe_deg"] = map[string]any{"left": m.rearToeLeft, "right": m.rearToeRight}
	raw, err := json.Marshal(map[string]any{
		"vehicle": vehicle,
		"floor":   map[string]any{"wheels_mm": m.wheelsMM, "fixture_mm": m.fixtureMM},
		"setup": map[string]any{
			"sensor": "front-camera", "side": "ahead", "datum": "front-bumper", "datum_height_mm": m.datumHigh, "line": "thrust-line",
			"distance_mm": m.distance, "height_mm": m.height, "positions": []any{map[string]any{"name": "p", "lateral_mm": lat}},
			"tolerance": map[string]any{"distance_mm": m.limitMM, "lateral_mm": m.limitMM, "height_mm": m.limitMM, "yaw_deg": m.limitDeg, "roll_deg": m.limitDeg},
		},
		"fixture":  map[string]any{"kind": "board", "half_width_mm": m.halfWidth, "carried": "stand"},
		"position": "p", "instruments": instruments, "readings": readings,
	})
	require.NoError(t, err)
	return raw
}

// TestThrustAtTheBoard is the trade's arithmetic of the story: 0.15° over 5.68 m from the rear axle is 15 mm.
func TestThrustAtTheBoard(t *testing.T) {
	t.Parallel()
	m := hatchback()
	r := newRig(m, 1)
	r.board.middle = vec{m.wheelbase + 3000, 0, m.height}
	require.InDelta(t, 15, r.car.across().dot(r.board.middle), 0.2)
}

func TestMisread(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := math.Round(rapid.Float64Range(1500, 7000).Draw(t, "value")*10) / 10
		off := math.Abs(misread(v, 25) - v)
		require.GreaterOrEqual(t, off, 25.0, fmt.Sprint(v))
		require.LessOrEqual(t, off, 400.0)
	})
}
