package job_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/vehicle"
)

// seenJob is what clients are shown, as far as these tests look.
type seenJob struct {
	Phase   string
	Missing []string
	Vehicle struct {
		MileageKM *int64             `json:"mileage_km"`
		VINCheck  string             `json:"vin_check"`
		ModelYear *vehicle.ModelYear `json:"model_year"`
		Steering  string
	}
	Work struct {
		CustomerTold *bool `json:"customer_told"`
		Sensors      *job.Sensors
	}
	Withdrawn *struct{ Cause string }
	Changes   []struct {
		Seq uint64
		Was map[string]json.RawMessage
	}
	Comparison *struct {
		BeforeSeq        uint64 `json:"before_seq"`
		AfterSeq         uint64 `json:"after_seq"`
		Gone, Still, New []vehicle.Found
	}
}

func (w *world) seen() seenJob {
	w.t.Helper()
	raw, err := json.Marshal(w.state().View(now))
	require.NoError(w.t, err)
	var v seenJob
	require.NoError(w.t, json.Unmarshal(raw, &v))
	return v
}

// A job that opens with a plate alone takes the rest in any order, each once or corrected.
func TestAnyOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(technician, "open-job", `{"plate":"INV 100"}`)
	all := []string{"causes", "sensors", "dimensions", "vin", "mileage_km", "steering", "customer_told"}
	require.Equal(t, all, w.seen().Missing)
	value, seq := fact(t, w, "vehicle")
	require.JSONEq(t, `{"sensors":[],"missing":["causes","sensors","dimensions","vin","mileage_km","steering","customer_told"]}`, value)
	require.EqualValues(t, 1, seq)

	w.must(technician, "record-scan", good["record-scan"])
	w.must(technician, "attach-alignment", good["attach-alignment"])
	w.must(owner, "describe-work", `{"customer_told":true}`)
	w.must(technician, "describe-vehicle", `{"steering":"right","mileage_km":10}`)
	require.Equal(t, []string{"causes", "sensors", "dimensions", "vin"}, w.seen().Missing)
	w.must(technician, "describe-work", `{"sensors":{"affected":["front-radar"],"not_affected":[],"none_fitted":false}}`)
	w.must(technician, "describe-vehicle", `{"vin":"5YJ3E1EA7HF000337"}`) // a published sample: see testdata/vin
	w.must(technician, "describe-work", `{"causes":["bumper"]}`)
	w.must(technician, "describe-vehicle", `{"dimensions":"`+sheet.String()+`"}`)
	v := w.seen()
	require.Empty(t, v.Missing)
	require.Equal(t, "holds", v.Vehicle.VINCheck)
	require.Equal(t, &vehicle.ModelYear{Earlier: 1987, Later: 2017, Likelier: 2017}, v.Vehicle.ModelYear)
	value, seq = fact(t, w, "vehicle")
	require.JSONEq(t, `{"dimensions":"`+sheet.String()+`","steering":"right","sensors":["front-radar"],"missing":[]}`, value)
	require.EqualValues(t, 9, seq)
	for _, c := range v.Changes {
		require.Empty(t, c.Was, "nothing was said differently before")
	}
}

// A correction leaves what was before to be read, with who said otherwise and when.
func TestCorrections(t *testing.T) {
	t.Parallel()
	w := opened(t)
	w.must(technician, "describe-vehicle", `{"vin":"WP0ZZZ99ZTS392124","mileage_km":48212,"steering":"right"}`)
	w.must(owner, "describe-work", `{"customer_told":false,"causes":["bumper"]}`)
	w.must(owner, "describe-vehicle", `{"mileage_km":48213,"plate":"INV 101"}`)
	v := w.seen()
	require.EqualValues(t, 48213, *v.Vehicle.MileageKM)
	require.Equal(t, "fails", v.Vehicle.VINCheck)
	require.Equal(t, &vehicle.ModelYear{Earlier: 1996, Later: 2026, Likelier: 1996}, v.Vehicle.ModelYear)
	require.Len(t, v.Changes, 3)
	require.JSONEq(t, `48210`, string(v.Changes[0].Was["mileage_km"]))
	require.JSONEq(t, `"left"`, string(v.Changes[0].Was["steering"]))
	require.JSONEq(t, string(sealed(`"`+sampleVIN+`"`)), string(v.Changes[0].Was["vin"]), "sealed as it was")
	require.JSONEq(t, `true`, string(v.Changes[1].Was["customer_told"]))
	require.JSONEq(t, `["glass","alignment"]`, string(v.Changes[1].Was["causes"]))
	require.EqualValues(t, 4, v.Changes[2].Seq)
	require.JSONEq(t, `48212`, string(v.Changes[2].Was["mileage_km"]))
	require.NotContains(t, v.Changes[2].Was, "steering")
}

func TestWithdrawal(t *testing.T) {
	t.Parallel()
	w := opened(t)
	e := w.must(technician, "withdraw-job", good["withdraw-job"])
	require.NotContains(t, string(e.Command.Data), "red")
	v := w.seen()
	require.Equal(t, "withdrawn", v.Phase)
	require.Equal(t, "wrong-car", v.Withdrawn.Cause)
	require.Equal(t, "withdrawn", w.fold.Rules.Summary(w.fold.State).Phase)
	value, seq := fact(t, w, "vehicle")
	require.JSONEq(t, `{"dimensions":"`+sheet.String()+`","steering":"left","sensors":["front-camera"],"missing":[],"withdrawn":true}`, value)
	require.EqualValues(t, 2, seq)
	for _, command := range []string{"describe-vehicle", "describe-work", "withdraw-job", "attach-alignment", "record-scan"} {
		_, err := w.do(technician, command, good[command])
		require.True(t, fault.Is(err, fault.WrongPhase), "%s: %v", command, err)
	}
	w.must(technician, "note", good["note"])
}

// The scans of the standard's own byte example (ISO 14229-1:2013, 11.3.5), before and after clearing.
func TestScansCompared(t *testing.T) {
	t.Parallel()
	w := opened(t)
	w.must(technician, "record-scan", `{"when":"before","source":"pasted","codes":[{"code":"P0A9B-17","status":36,"blocking":false},{"code":"P0805-11","status":47,"blocking":true},{"code":"C0051","blocking":false}]}`)
	require.Nil(t, w.seen().Comparison)
	w.must(technician, "record-scan", `{"when":"after","source":"pasted","codes":[{"code":"P0A9B-17","status":80,"blocking":false},{"code":"C0051-00","status":8,"blocking":false},{"code":"U0140","blocking":false}]}`)
	c := w.seen().Comparison
	require.EqualValues(t, 2, c.BeforeSeq)
	require.EqualValues(t, 3, c.AfterSeq)
	require.Equal(t, "P0805-11", c.Gone[0].Code)
	require.Len(t, c.Gone, 1)
	require.Equal(t, "C0051-00", c.Still[0].Code, "without its failure type it is the same fault")
	require.Equal(t, "P0A9B-17", c.Still[1].Code)
	require.True(t, c.Still[1].Untested)
	require.Equal(t, "U0140", c.New[0].Code)
	w.must(technician, "record-scan", `{"when":"after","source":"typed","codes":[]}`)
	require.Len(t, w.seen().Comparison.Gone, 3, "the newest counts")
}
