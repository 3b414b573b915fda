package vehicle_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// Two opposite signs are published: one workshop manual has (left − right)/2, positive to the right, which is ours;
// another has (right − left)/2, positive to the left, the sense of yaw in ISO 8855. Each example states what either
// source gives, in microdegrees.
func TestThrustAngleInBothPublishedSigns(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ left, right, positiveRight, positiveLeft int64 }{
		{100_000, 200_000, -50_000, 50_000},
		{300_000, 100_000, 100_000, -100_000},
		{200_000, -100_000, 150_000, -150_000}, // common practice, no source: "0.15 degrees"
		{150_000, 150_000, 0, 0},
		{-20_000, -20_000, 0, 0},
	} {
		got := vehicle.RearToe{Left: c.left, Right: c.right}.ThrustUdeg()
		require.Equal(t, c.positiveRight, got)
		require.Equal(t, -c.positiveLeft, got)
	}
	require.Equal(t, int64(1), vehicle.RearToe{Left: 1}.ThrustUdeg(), "half a microdegree away from zero")
	require.Equal(t, int64(-1), vehicle.RearToe{Right: 1}.ThrustUdeg())
}

func TestMirroredAlignmentHasMirroredThrust(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		toe := rapid.Int64Range(-5_000_000, 5_000_000)
		l, r := toe.Draw(t, "left"), toe.Draw(t, "right")
		got := vehicle.RearToe{Left: l, Right: r}.ThrustUdeg()
		require.Equal(t, -got, vehicle.RearToe{Left: r, Right: l}.ThrustUdeg())
		require.InDelta(t, float64(l-r)/2, float64(got), 0.5) // rounded to the nearest unit
	})
}

func TestReadAlignment(t *testing.T) {
	t.Parallel()
	read := func(raw string) (vehicle.Alignment, error) {
		o := strict.Read([]byte(raw), "data")
		a := vehicle.ReadAlignment(o)
		return a, o.Close()
	}
	const whole = `{"front_left":{"toe_udeg":50000,"camber_udeg":-500000,"caster_udeg":6000000},
		"rear_left":{"toe_udeg":200000,"camber_udeg":-1000000},"rear_right":{"toe_udeg":-100000}}`
	a, err := read(whole)
	require.NoError(t, err)
	require.Equal(t, vehicle.RearToe{Left: 200_000, Right: -100_000}, a.RearToe())
	out, err := json.Marshal(a)
	require.NoError(t, err)
	require.JSONEq(t, `{"front_left":{"toe_udeg":50000,"camber_udeg":-500000,"caster_udeg":6000000},
		"rear_left":{"toe_udeg":200000,"camber_udeg":-1000000},"rear_right":{"toe_udeg":-100000}}`, string(out))

	for _, c := range []struct{ raw, field string }{
		{`{"rear_left":{"toe_udeg":1}}`, "data.rear_right"},
		{`{"rear_left":{},"rear_right":{"toe_udeg":1}}`, "data.rear_left.toe_udeg"},
		{`{"rear_left":{"toe_udeg":5000001},"rear_right":{"toe_udeg":1}}`, "data.rear_left.toe_udeg"},
		{`{"rear_left":{"toe_udeg":0.2},"rear_right":{"toe_udeg":1}}`, "data.rear_left.toe_udeg"},
		{`{"rear_left":{"toe_udeg":1,"caster_udeg":1},"rear_right":{"toe_udeg":1}}`, "data.rear_left.caster_udeg"},
		{`{"rear_left":{"toe_udeg":1},"rear_right":{"toe_udeg":1},"front_left":{"camber_udeg":15000001}}`, "data.front_left.camber_udeg"},
		{`{"rear_left":{"toe_udeg":1},"rear_right":{"toe_udeg":1},"front_left":{"toe_deg":1}}`, "data.front_left.toe_deg"},
		{`{"rear_left":{"toe_udeg":1},"rear_right":{"toe_udeg":1},"front_left":null}`, "data.front_left"},
	} {
		_, err := read(c.raw)
		require.Equal(t, c.field, fault.Of(err).Fields[0].Name, c.raw)
	}
}
