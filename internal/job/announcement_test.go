package job_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
)

// otherVIN is a published sample: see testdata/vin.
const otherVIN = "5YJ3E1EA7HF000337"

type seenVINs struct {
	Vehicle   struct{ VIN stream.Sealed }
	Announced *struct {
		VIN      stream.Sealed
		VINEqual bool `json:"vin_equal"`
	}
	Settled *struct{ Right string }
}

func (w *world) vins() seenVINs {
	w.t.Helper()
	raw, err := json.Marshal(w.state().View(now))
	require.NoError(w.t, err)
	var v seenVINs
	require.NoError(w.t, json.Unmarshal(raw, &v))
	return v
}

func (w *world) differs() bool {
	w.t.Helper()
	raw, _, ok := w.fold.Rules.Fact(w.state(), "vehicle")
	require.True(w.t, ok)
	var f struct {
		Differs bool `json:"vin_differs"`
	}
	require.NoError(w.t, json.Unmarshal(raw, &f))
	return f.Differs
}

func plainly(t *testing.T, plain string) stream.Sealed {
	var s stream.Sealed
	require.NoError(t, json.Unmarshal(sealed(`"`+plain+`"`), &s))
	return s
}

// The car gives another VIN than the one typed: both are shown, the fact holds the words back, and a person settles it.
func TestVINsThatDiffer(t *testing.T) {
	t.Parallel()
	w := opened(t)
	_, err := w.do(technician, "settle-vin", good["settle-vin"])
	require.Equal(t, []fault.Field{{Name: "guard", Want: "vin-differs"}}, fault.Of(err).Fields)
	e := w.must(technician, "announce-vehicle", `{"vin":"`+otherVIN+`"}`)
	require.NotContains(t, string(e.Command.Data), `"vin":"`+otherVIN)
	require.True(t, w.differs())
	v := w.vins()
	require.Equal(t, plainly(t, sampleVIN), v.Vehicle.VIN, "both are shown")
	require.Equal(t, plainly(t, otherVIN), v.Announced.VIN)
	require.False(t, v.Announced.VINEqual)

	past := w.fold.State
	w.must(owner, "settle-vin", good["settle-vin"])
	require.False(t, w.differs())
	v = w.vins()
	require.Equal(t, "typed", v.Settled.Right)
	require.Equal(t, plainly(t, sampleVIN), v.Vehicle.VIN)
	_, err = w.do(owner, "settle-vin", good["settle-vin"])
	require.True(t, fault.Is(err, fault.NotMet), "settled already")
	// What was settled was of those two: the next announcement, and the next VIN typed, are looked at anew.
	w.must(technician, "announce-vehicle", `{"vin":"`+otherVIN+`"}`)
	require.True(t, w.differs())
	w.must(technician, "describe-vehicle", `{"vin":"`+otherVIN+`"}`)
	require.False(t, w.differs())
	require.True(t, w.vins().Announced.VINEqual)

	// The other way: what the car gave is right, and becomes the job's.
	w.fold.State = past
	w.must(technician, "settle-vin", `{"right":"announced","reason":"A slip of the pen."}`)
	require.False(t, w.differs())
	require.Equal(t, plainly(t, otherVIN), w.vins().Vehicle.VIN)
	require.Contains(t, w.seen().Changes[0].Was, "vin", "and the one before stays to be read")
}

// A job without a VIN goes by the one that the car gave, until somebody types another.
func TestAnnouncedFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(technician, "open-job", `{"plate":"INV 100"}`)
	w.must(technician, "announce-vehicle", `{"vin":"`+otherVIN+`"}`)
	require.NotContains(t, w.seen().Missing, "vin")
	require.Equal(t, 2017, w.seen().Vehicle.ModelYear.Likelier)
	require.False(t, w.differs())
	w.must(technician, "describe-vehicle", `{"vin":"`+sampleVIN+`"}`)
	require.True(t, w.differs())
}

// Without the mark two VINs could not be compared, so that no such entry is made.
func TestNoVINWithoutItsMark(t *testing.T) {
	t.Parallel()
	for _, command := range []string{"announce-vehicle", "describe-vehicle"} {
		w := opened(t)
		e := w.must(technician, command, `{"vin":"`+otherVIN+`"}`)
		e.Command.Data = json.RawMessage(`{"vin":` + string(sealed(`"x"`)) + `,"vin_mark":""}`)
		_, err := job.Rules{}.Apply(w.state(), e)
		require.ErrorContains(t, err, "mark")
	}
}
