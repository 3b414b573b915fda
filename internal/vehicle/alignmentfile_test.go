package vehicle_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/vehicle"
)

// See testdata/alignment. That 0.20 and -0.10 degrees make 0.15 is common practice, no source.
func TestAlignmentFiles(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]string{
		"degrees.csv": `[
			{"when":"before","wheels":{
				"front_left":{"toe_udeg":50000,"camber_udeg":-500000,"caster_udeg":6000000},
				"front_right":{"toe_udeg":70000,"camber_udeg":-650000,"caster_udeg":6100000},
				"rear_left":{"toe_udeg":200000,"camber_udeg":-1000000},
				"rear_right":{"toe_udeg":-100000,"camber_udeg":-1100000}},
			 "stated_thrust":{"udeg":150000,"positive":"right"},"thrust_udeg":150000},
			{"when":"after","wheels":{"rear_left":{"toe_udeg":100000,"camber_udeg":-1000000},"rear_right":{"toe_udeg":90000,"camber_udeg":-1050000}},
			 "stated_thrust":{"udeg":-10000,"positive":"left"},"thrust_udeg":5000}]`,
		"minutes.csv": `[
			{"when":"before","wheels":{
				"front_left":{"toe_udeg":50000,"camber_udeg":-500000},
				"front_right":{"toe_udeg":70000,"camber_udeg":-650000},
				"rear_left":{"toe_udeg":200000,"camber_udeg":-1000000},
				"rear_right":{"toe_udeg":-100000,"camber_udeg":-1100000}},
			 "stated_thrust":{"udeg":-150000,"positive":"left"},"thrust_udeg":150000},
			{"when":"after","wheels":{"rear_left":{"toe_udeg":100000},"rear_right":{"toe_udeg":91667}},"thrust_udeg":4167}]`,
		// arcsin(1.2/645) is 0.106596860588660…°, computed apart with 30 digits; -0.4 of 645 is -0.035532261…°.
		"mm.json": `[
			{"when":"before","wheels":{
				"front_left":{"toe_udeg":53298,"camber_udeg":-500000,"caster_udeg":6000000},
				"front_right":{"toe_udeg":71065},
				"rear_left":{"toe_udeg":106597},"rear_right":{"toe_udeg":-35532}},
			 "stated_thrust":{"udeg":-70000,"positive":"left"},"thrust_udeg":71065},
			{"when":"after","wheels":{"rear_left":{"toe_udeg":100000},"rear_right":{"toe_udeg":90000}},"thrust_udeg":5000}]`,
	} {
		raw, err := os.ReadFile("../../testdata/alignment/" + file)
		require.NoError(t, err)
		got, err := vehicle.ReadAlignmentFile(raw)
		require.NoError(t, err, file)
		out, err := json.Marshal(got)
		require.NoError(t, err)
		require.JSONEq(t, want, string(out), file)
	}
}

// rear reads a file of nothing but the two rear toes in one unit.
func rear(t require.TestingT, unit, left, right string) vehicle.RearToe {
	text := fmt.Sprintf("wheel;toe [%s];diameter [mm]\nrear left;%s;645\nrear right;%s;600,5\n", unit, left, right)
	got, err := vehicle.ReadAlignmentFile([]byte(text))
	require.NoError(t, err, text)
	return got[0].Wheels.RearToe()
}

func TestUnits(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		unit, left, right string
		want              vehicle.RearToe
	}{
		{"deg", "0.123456", "-0,5", vehicle.RearToe{Left: 123456, Right: -500000}},
		{"deg", "+1", "−1°", vehicle.RearToe{Left: 1000000, Right: -1000000}}, // a typographic minus
		{"deg", "0°12'", "-0°06'", vehicle.RearToe{Left: 200000, Right: -100000}},
		{"deg", "-1° 30′", "1°00", vehicle.RearToe{Left: -1500000, Right: 1000000}},
		{"deg", "0°0,5'", "0°59.99'", vehicle.RearToe{Left: 8333, Right: 999833}},
		{"min", "12", "-6", vehicle.RearToe{Left: 200000, Right: -100000}},
		{"min", "1", "-1", vehicle.RearToe{Left: 16667, Right: -16667}},   // 16666.67, the nearest
		{"'", "0.00003", "-0.00003", vehicle.RearToe{Left: 1, Right: -1}}, // halves away from zero
		{"°", "0", "-0", vehicle.RearToe{}},
		// arcsin(1.2/645) and arcsin(-0.4/600.5), computed apart with 30 digits: 0.106596860588660…°, -0.038165384679533…°.
		{"mm", "1.2", "-0.4", vehicle.RearToe{Left: 106597, Right: -38165}},
	} {
		require.Equal(t, c.want, rear(t, c.unit, c.left, c.right), "%v", c)
	}
}

// A toe in millimetres is within half a microdegree of what its sine says, and its mirror image is its negative.
func TestToeInMillimetres(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		hundredths := rapid.IntRange(0, 4000).Draw(t, "toe")
		text := fmt.Sprintf("%d.%02d", hundredths/100, hundredths%100)
		got := rear(t, "mm", text, "-"+text)
		require.InDelta(t, float64(hundredths)/100/645, math.Sin(float64(got.Left)*1e-6*math.Pi/180), 0.51e-6*math.Pi/180)
		require.InDelta(t, -float64(hundredths)/100/600.5, math.Sin(float64(got.Right)*1e-6*math.Pi/180), 0.51e-6*math.Pi/180)
		require.Equal(t, -got.Left, rear(t, "mm", "-"+text, "0").Left)
	})
}

// The dialects are common practice, no source.
func TestDialects(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"wheel,toe [deg]\nrear left,0.2\nrear right,-0.1\n",
		"wheel;toe [deg]\nrear left;0,2\nrear right;-0,1\n",
		"wheel\ttoe [deg]\tcamber [deg]\nrear left\t0,2\t\nrear right\t-0.1\t\n",
		"wheel,toe [deg]\r\nrear left,\"0,2\"\r\nrear right,\"-0,1\"",
		"\ufeffWHEEL, Toe (°)\nRear-Left, 0.2\n\nREAR_RIGHT, -0.1\n,\n",
		"sep=;\nwheel;toe deg\nRL;0,2\nRR;-0,1\n",
		"toe [deg];wheel\n0.20;rl\n-0.10;rr\n",
		"wheel;toe [\xb0]\nRL;0,2\nRR;-0,1\n", // Latin-1
	} {
		got, err := vehicle.ReadAlignmentFile([]byte(text))
		require.NoError(t, err, text)
		require.Len(t, got, 1)
		require.Equal(t, vehicle.RearToe{Left: 200000, Right: -100000}, got[0].Wheels.RearToe(), text)
	}
}

func TestThrustThatContradicts(t *testing.T) {
	t.Parallel()
	file := func(left, right, thrust, positive string) error {
		_, err := vehicle.ReadAlignmentFile([]byte("wheel;toe [deg];thrust [deg];positive\n" +
			"rear left;" + left + ";;\nrear right;" + right + ";;\nrear axle;;" + thrust + ";" + positive + "\n"))
		return err
	}
	require.NoError(t, file("0.20", "-0.10", "0.15", "right"))
	require.NoError(t, file("0.20", "-0.10", "-0.15", "left"))
	require.NoError(t, file("0.20", "-0.10", "0.16", "right"), "rounded in the last place")
	require.NoError(t, file("0.2", "-0.1", "0.1", "right"), "coarse figures are known no better")
	err := file("0.20", "-0.10", "0.15", "left")
	require.True(t, fault.Is(err, fault.InvalidInput))
	f := fault.Of(err).Fields
	require.Len(t, f, 1)
	require.Equal(t, "line 4, thrust", f[0].Name)
	require.Contains(t, f[0].Want, "0.15° to the right; stated is 0.15° to the left")
	require.Contains(t, f[0].Want, "With the other sign it would agree")
	err = file("0.20", "-0.10", "0.30", "right")
	require.Contains(t, fault.Of(err).Fields[0].Want, "0.15° to the right; stated is 0.3° to the right")
	require.NotContains(t, fault.Of(err).Fields[0].Want, "other sign")
	require.Error(t, file("0.20", "-0.10", "0.18", "right"))

	toe := vehicle.RearToe{Left: 200_000, Right: -100_000}
	require.Empty(t, toe.Contradiction(vehicle.Thrust{Udeg: 170_000, Positive: vehicle.ToRight}))
	require.NotEmpty(t, toe.Contradiction(vehicle.Thrust{Udeg: 170_001, Positive: vehicle.ToRight}))
	require.Empty(t, toe.Contradiction(vehicle.Thrust{Udeg: -130_000, Positive: vehicle.ToLeft}))
}

func TestAlignmentFilesThatAreNone(t *testing.T) {
	t.Parallel()
	const head = "wheel;toe [deg];camber [deg];caster [deg];diameter [mm];thrust [deg];positive;when\n"
	const good = "rear left;0.2;;;;;;\nrear right;0.1;;;;;;\n"
	for _, c := range []struct{ text, field string }{
		{"wheel;toe\n", "header, toe"},
		{"wheel;toe [rad]\n", "header, toe [rad]"},
		{"wheel;camber [mm]\n", "header, camber [mm]"},
		{"wheel [deg];toe [deg]\n", "header, wheel [deg]"},
		{"wheel;toe [deg];toe [mm]\n", "header, toe [mm]"},
		{"wheel;toe [deg];ride height\n", "header, ride height"},
		{"toe [deg]\n", "header"},
		{head, "file"},
		{head + "rear left;0.2;;;;;;\n", "line 2"},
		{head + good + "rear left;0.2;;;;;;\n", "line 4, wheel"},
		{head + good + "spare;0.2;;;;;;\n", "line 4, wheel"},
		{head + "rear left;0.2;;;;;;\nrear right;;;;;;;\n", "line 2"},
		{head + "rear left;5.1;;;;;;\nrear right;0.1;;;;;;\n", "line 2, toe"},
		{head + "rear left;1e-1;;;;;;\nrear right;0.1;;;;;;\n", "line 2, toe"},
		{head + "rear left;0.1234567;;;;;;\nrear right;0.1;;;;;;\n", "line 2, toe"},
		{head + "rear left;1.000,5;;;;;;\nrear right;0.1;;;;;;\n", "line 2, toe"},
		{head + "rear left;0°60';;;;;;\nrear right;0.1;;;;;;\n", "line 2, toe"},
		{head + "rear left;0.2;;1;;;;\nrear right;0.1;;;;;;\n", "line 2, caster"},
		{head + "rear left;0.2;;;;1;;\nrear right;0.1;;;;;;\n", "line 2, thrust"},
		{head + "rear left;0.2;;;;;;\nrear right;0.1;;;;;\n", "line 3"},
		{head + good + "rear axle;;;;;0.05;;\n", "line 4, thrust"},
		{head + good + "rear axle;;;;;;left;\n", "line 4, thrust"},
		{head + good + "rear axle;;;;;0.05;up;\n", "line 4, positive"},
		{head + good + "rear axle;0.1;;;;;;\n", "line 4, toe"},
		{head + good + "front left;0.1;;;;;;during\n", "line 4, when"},
		{head + good + "rear left;0.2;;;;;;after\nrear right;0.1;;;;;;after\n", "line 4"},
		{"wheel;toe [mm]\nrear left;1;\n", "line 2"},
		{"wheel;toe [mm]\nrear left;1\nrear right;1\n", "line 2, toe"},
		{"wheel;toe [mm];diameter [mm]\nrear left;1;64,5\nrear right;1;645\n", "line 2, diameter"},
		{"wheel,toe [deg]\nrear left,0,2\nrear right,0,1\n", "line 2"},
		{`{}`, "alignments"},
		{`{"alignments":[]}`, "alignments"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1}}]}`, "alignments[0]"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_deg":1e-1}}]}`, "alignments[0].rear_right.toe_deg"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_deg":"0.1"}}]}`, "alignments[0].rear_right.toe_deg"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_deg":0.1,"toe_min":6}}]}`, "alignments[0].rear_right.toe_min"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_mm":0.1}}]}`, "alignments[0].rear_right.toe_mm"},
		{`{"alignments":[{"diameter_mm":64,"rear_left":{"toe_deg":0.1},"rear_right":{"toe_mm":0.1}}]}`, "alignments[0].diameter_mm"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1,"caster_deg":1},"rear_right":{"toe_deg":0.1}}]}`, "alignments[0].rear_left.caster_deg"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_deg":0.1},"thrust":{"deg":0}}]}`, "alignments[0].thrust.positive"},
		{`{"alignments":[{"rear_left":{"toe_deg":0.1},"rear_right":{"toe_deg":0.1},"thrust":{"deg":1,"positive":"left"}}]}`, "alignments[0].thrust"},
	} {
		_, err := vehicle.ReadAlignmentFile([]byte(c.text))
		require.True(t, fault.Is(err, fault.InvalidInput), "%s: %v", c.text, err)
		require.Equal(t, c.field, fault.Of(err).Fields[0].Name, "%s: %v", c.text, fault.Of(err).Fields)
		require.NotEmpty(t, fault.Of(err).Fields[0].Want)
	}
	for _, text := range []string{"", "\n", "wheel;toe [deg]\n\"rear left;0.2\n", "{", "w\x00h\x00e\x00e\x00l\x00"} {
		_, err := vehicle.ReadAlignmentFile([]byte(text))
		require.True(t, fault.Is(err, fault.Malformed), "%q: %v", text, err)
	}
	_, err := vehicle.ReadAlignmentFile([]byte(head + strings.Repeat("\n", vehicle.MostAlignmentBytes)))
	require.True(t, fault.Is(err, fault.TooLarge))
}

// Whatever is accepted is in range and holds together; whatever is not is refused as bad input.
func FuzzReadAlignmentFile(f *testing.F) {
	for _, name := range []string{"degrees.csv", "minutes.csv", "mm.json"} {
		raw, err := os.ReadFile("../../testdata/alignment/" + name)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Add([]byte("sep=;\nwheel;toe [mm];diameter [mm]\nRL;0,2;645\nRR;-0,1;645\n"))
	f.Add([]byte("wheel\ttoe [°]\nrl\t0°12'\nrr\t-0°06'\n"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		got, err := vehicle.ReadAlignmentFile(raw)
		if err != nil {
			require.Equal(t, fault.Invalid, fault.Of(err).Kind(), "%v", err)
			return
		}
		require.NotEmpty(t, got)
		require.LessOrEqual(t, len(got), 2)
		for _, m := range got {
			toe := m.Wheels.RearToe()
			require.LessOrEqual(t, max(toe.Left, -toe.Left, toe.Right, -toe.Right), int64(5_000_000))
			require.Equal(t, toe.ThrustUdeg(), m.ThrustUdeg)
		}
	})
}
