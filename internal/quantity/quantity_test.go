package quantity

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
)

func TestBothWays(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ decimal, integer string }{
		{`{"height_mm":1350.25}`, `{"height_um":1350250}`},
		{`{"wheels_mm":{"front_left":-0.5,"front_right":2}}`, `{"wheels_um":{"front_left":-500,"front_right":2000}}`},
		{`{"rear_toe_deg":{"left":0.2,"right":-0.1}}`, `{"rear_toe_udeg":{"left":200000,"right":-100000}}`},
		{`{"readings":[{"quantity":"span","value_mm":2593.4}]}`, `{"readings":[{"quantity":"span","value_um":2593400}]}`},
		{`{"count":3,"name":"a_mm","list_mm":[1,0,-0.001]}`, `{"count":3,"name":"a_mm","list_um":[1000,0,-1]}`},
	} {
		got, err := ToInteger(json.RawMessage(c.decimal))
		require.NoError(t, err)
		require.JSONEq(t, c.integer, string(got))
		back, err := ToDecimal(json.RawMessage(c.integer))
		require.NoError(t, err)
		require.JSONEq(t, c.decimal, string(back))
	}
}

func TestIntegerFormIsExact(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(-most, most).Draw(t, "n")
		raw, err := json.Marshal(map[string]int64{"a_um": n, "b_udeg": n})
		require.NoError(t, err)
		dec, err := ToDecimal(raw)
		require.NoError(t, err)
		if n > -1e12 && n < 1e12 { // beyond, a float64 of the decimal form no longer holds one unit
			back, err := ToInteger(dec)
			require.NoError(t, err)
			require.JSONEq(t, string(raw), string(back))
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	_, err := ToDecimal(json.RawMessage(`{"setup":{"height_um":1350.5}}`))
	require.Equal(t, "setup.height_um", fault.Of(err).Fields[0].Name)
	_, err = ToDecimal(json.RawMessage(`{"a_um":1,"a_mm":1}`))
	require.True(t, fault.Is(err, fault.InvalidInput))
	_, err = ToInteger(json.RawMessage(`{"a_mm":1e300}`))
	require.Equal(t, "a_mm", fault.Of(err).Fields[0].Name)

	_, err = ToDecimal(json.RawMessage(`{"floor":{"fixture_mm":1.5}}`)) // a decimal in the integer form
	require.Equal(t, fault.Field{Name: "floor.fixture_mm", Want: "no such key: this form has fixture_um"}, fault.Of(err).Fields[0])
	_, err = ToInteger(json.RawMessage(`{"toe_udeg":1}`))
	require.Equal(t, "toe_udeg", fault.Of(err).Fields[0].Name)

	err = FaultInInteger(fault.Badly("readings[2].value_mm", "at most 50000 mm"), "data")
	require.Equal(t, "data.readings[2].value_um", fault.Of(err).Fields[0].Name)
	require.Contains(t, fault.Of(err).Fields[0].Want, "micrometres")
	err = FaultInInteger(fault.Badly("datum", "front-bumper or rear-bumper"), "data.setup")
	require.Equal(t, fault.Field{Name: "data.setup.datum", Want: "front-bumper or rear-bumper"}, fault.Of(err).Fields[0])
}
