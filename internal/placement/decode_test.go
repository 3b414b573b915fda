package placement_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/placement"
)

func faults(t *testing.T, err error) []fault.Field {
	t.Helper()
	var f *fault.Error
	require.True(t, errors.As(err, &f), "%v", err)
	require.Equal(t, fault.Invalid, f.Kind())
	return f.Fields
}

// Each change to the documented case is refused, naming the field.
func TestRefusesWhatDoesNotFit(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ from, to, field string }{
		{`"wheelbase_mm": 2680, `, ``, "vehicle.wheelbase_mm"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": "2680"`, "vehicle.wheelbase_mm"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": 2680, "wheelbase_mm": 2680`, "vehicle.wheelbase_mm"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": 2680, "colour": "red"`, "vehicle.colour"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": 1e400`, "vehicle.wheelbase_mm"},
		{`"wheelbase_mm": 2680`, `"wheelbase_mm": 26`, "vehicle.wheelbase_mm"},
		{`{"front": 325, "rear": 325}`, `{"front": 325}`, "vehicle.hub_height_mm.rear"},
		{`,
              "rear_toe_deg": {"left": 0.20, "right": -0.10}`, ``, "vehicle.rear_toe_deg"},
		{`"front_right": 2`, `"front_right": 2000`, "floor.wheels_mm.front_right"},
		{`"side": "ahead"`, `"side": "left"`, "setup.side"},
		{`"datum": "front-bumper"`, `"datum": "emblem"`, "setup.datum"},
		{`"line": "thrust-line"`, `"line": "thrust"`, "setup.line"},
		{`"distance_mm": 1480, `, ``, "setup.positions[0].distance_mm"},
		{`{"name": "2", "lateral_mm": 620}`, `{"name": "1", "lateral_mm": 620}`, "setup.positions[1].name"},
		{`{"name": "2", "lateral_mm": 620}`, `{"name": "2", "range_mm": 620}`, "setup.positions[1].azimuth_deg"},
		{`{"name": "2", "lateral_mm": 620}`, `{"name": "2", "range_mm": 620, "azimuth_deg": 3, "lateral_mm": 1}`, "setup.positions[1].lateral_mm"},
		{`"lateral_mm": 5,`, `"lateral_mm": 0,`, "setup.tolerance.lateral_mm"},
		{`"lateral_mm": 5,`, `"lateral_mm": -5,`, "setup.tolerance.lateral_mm"},
		{`"lateral_mm": 5,`, `"sideways_mm": 5,`, "setup.tolerance.sideways_mm"},
		{`{"distance_mm": 5, "lateral_mm": 5, "height_mm": 4, "yaw_deg": 0.4, "roll_deg": 0.4}`, `{}`, "setup.tolerance.distance_mm"},
		{`"yaw_deg": 0.4, "roll_deg": 0.4},
            "sensor_at_mm": {"x": 2200, "y": 0, "z": 1310}`, `"azimuth_deg": 0.4}`, "setup.sensor_at_mm"},
		{`"kind": "board"`, `"kind": "plank"`, "fixture.kind"},
		{`"half_width_mm": 1100, `, ``, "fixture.half_width_mm"},
		{`"carried": "slide"`, `"carried": "far"`, "fixture.carried"},
		{`"standard_uncertainty_mm": 1.0`, `"standard_uncertainty_mm": 0`, "instruments.laser.standard_uncertainty_mm"},
		{`"standard_uncertainty_mm": 1.0`, `"standard_uncertainty_mm": 1, "common_deg": 1`, "instruments.laser.common_deg"},
		{`"standard_uncertainty_mm": 1.0`, `"standard_uncertainty_mm": 1, "standard_uncertainty_deg": 1`, "instruments.laser.standard_uncertainty_deg"},
		{`"position": "1"`, `"position": "4"`, "position"},
		{`"quantity": "level", "instrument": "level"`, `"quantity": "level", "instrument": "laser"`, "readings[2].instrument"},
		{`"quantity": "level", "instrument": "level"`, `"quantity": "level", "instrument": "theodolite"`, "readings[2].instrument"},
		{`"value_deg": 0.11`, `"value_mm": 0.11`, "readings[2].value_mm"},
		{`"value_mm": 2593.4`, `"value_mm": -3`, "readings[1].value_mm"},
		{`"value_mm": 2593.4`, `"value_mm": 300000`, "readings[1].value_mm"},
		{`"value_mm": 2593.4`, `"value_mm": null`, "readings[1].value_mm"},
		{`"pointing_mm": 0.9`, `"pointing_deg": 0.9`, "readings[1].pointing_deg"},
		{`"pointing_mm": 0.9`, `"pointing_mm": -0.9`, "readings[1].pointing_mm"},
		{`"pointing_mm": 0.9`, `"plumbed": true`, "readings[1].plumbed"},
		{`"from": "front-left-hub"`, `"from": "left-hub"`, "readings[1].from"},
		{`"from": "front-left-hub", `, ``, "readings[1].from"},
		{`"to": "left-end"`, `"to": "middle"`, "readings[1].to"},
		{`"quantity": "datum-distance"`, `"quantity": "distance"`, "readings[0].quantity"},
		{`"closing": []`, `"closing": [{"quantity": "height", "instrument": "level"}]`, "closing[0].instrument"},
		{`"closing": []`, `"opening": []`, "opening"},
	} {
		require.Contains(t, documented, row.from)
		_, err := placement.DecodeCase([]byte(strings.Replace(documented, row.from, row.to, 1)))
		require.Error(t, err, row.to)
		var names []string
		for _, f := range faults(t, err) {
			names = append(names, f.Name)
			require.NotEmpty(t, f.Want)
		}
		require.Contains(t, names, row.field, row.to)
	}
}

func TestListsAllFaultsTogether(t *testing.T) {
	t.Parallel()
	bad := strings.NewReplacer(`"lateral_mm": 5,`, `"lateral_mm": 0,`, `"value_mm": 2593.4`, `"value_mm": -3`, `"kind": "digital level"`, `"kind": ""`).
		Replace(documented)
	_, err := placement.DecodeCase([]byte(bad))
	require.Len(t, faults(t, err), 3)
}

func TestAReflectorIsAPoint(t *testing.T) {
	t.Parallel()
	c := decoded(t, documented)
	c.Fixture = placement.Fixture{Kind: placement.Reflector}
	var names []string
	for _, f := range faults(t, c.Validate()) {
		names = append(names, f.Name)
	}
	require.Equal(t, []string{"setup.tolerance.yaw_deg", "setup.tolerance.roll_deg", "readings[1].to", "readings[2].quantity"}, names)
	_, err := placement.DecodeFixture(json.RawMessage(`{"kind": "reflector", "half_width_mm": 10}`), "fixture")
	require.Equal(t, "fixture.half_width_mm", faults(t, err)[0].Name)
}

func TestCheckAsksForValuesAndPosition(t *testing.T) {
	t.Parallel()
	c := decoded(t, strings.Replace(strings.Replace(documented, `, "value_deg": 0.11`, ``, 1), `"position": "1",`, ``, 1))
	_, err := placement.Check(c)
	got := faults(t, err)
	require.Equal(t, []fault.Field{
		{Name: "position", Want: "one of 1, 2, 3"},
		{Name: "readings[2].value_deg", Want: "missing: the reading in degrees"}}, got)
	_, err = placement.Plan(c)
	require.NoError(t, err)
}

// Parts decode on their own, with their place in the names of fields, and a case survives being written and read.
func TestPartsAndRoundTrip(t *testing.T) {
	t.Parallel()
	for number, c := range worked(t) {
		raw, err := json.Marshal(c)
		require.NoError(t, err)
		back, err := placement.DecodeCase(raw)
		require.NoError(t, err, number)
		require.Equal(t, c, back, number)

		var parts struct {
			Vehicle, Floor, Setup, Fixture json.RawMessage
			Instruments                    map[string]json.RawMessage
			Readings                       []json.RawMessage
		}
		require.NoError(t, json.Unmarshal(raw, &parts))
		vehicle, err := placement.DecodeVehicle(parts.Vehicle, "vehicle")
		require.NoError(t, err)
		require.Equal(t, c.Vehicle, vehicle)
		setup, err := placement.DecodeSetup(parts.Setup, "setup")
		require.NoError(t, err)
		require.Equal(t, c.Setup, setup)
		fixture, err := placement.DecodeFixture(parts.Fixture, "fixture")
		require.NoError(t, err)
		require.Equal(t, c.Fixture, fixture)
		if c.Floor != nil {
			floor, err := placement.DecodeFloor(parts.Floor, "floor")
			require.NoError(t, err)
			require.Equal(t, *c.Floor, floor)
		}
		for name, one := range parts.Instruments {
			instrument, err := placement.DecodeInstrument(one, "instruments."+name)
			require.NoError(t, err)
			require.Equal(t, c.Instruments[name], instrument)
		}
		for i, one := range parts.Readings {
			reading, err := placement.DecodeReading(one, "reading")
			require.NoError(t, err)
			require.Equal(t, c.Readings[i], reading)
		}
	}
	_, err := placement.DecodeReading(json.RawMessage(`{"quantity": "span"}`), "data.reading")
	require.Equal(t, "data.reading.from", faults(t, err)[0].Name)
}
