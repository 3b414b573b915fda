package calibration

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// A job opened with little: the calibration goes as far as it can, and each refusal names what is missing.
func TestWhatIsMissingIsAskedWhenItIsNeeded(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := jobKey(jobID, "vehicle")
	refused := func(actor stream.Actor, command, words string) {
		t.Helper()
		_, _, err := w.try(actor, command, `{}`)
		require.True(t, fault.Is(err, fault.NotMet), "%v", err)
		require.Equal(t, words, fault.Of(err).Detail)
	}
	w.fact(key, `{"sensors":[],"missing":["causes","sensors","dimensions","vin","mileage_km","steering","customer_told"]}`)
	w.open()
	w.issue()
	require.NotContains(t, w.state().sheet().Cautions, "dimensions-not-the-jobs", "the job names none yet")
	w.gates()
	refused(technician, "request", "Before you can request guidance, describe the work in the job: why the sensors are in question, which sensors are affected.")
	w.fact(key, `{"sensors":[],"missing":["dimensions","vin","mileage_km","steering","customer_told"]}`)
	refused(technician, "request", "The job does not list front-camera among the affected sensors: it lists none.")
	w.fact(key, `{"sensors":["front-camera"],"missing":["dimensions","vin","mileage_km","steering","customer_told"]}`)
	w.do(technician, "request", `{}`)
	w.claim()
	w.adopt()
	w.fit()
	w.held()
	const leg = "Before a leg or a drive, the job must say the VIN, the mileage, the side of the steering wheel, whether the customer was told before the work."
	refused(technician, "bay-clear", leg)
	refused(specialist, "go", leg)
	w.fact(key, `{"sensors":["front-camera"],"missing":["dimensions"]}`)
	w.do(technician, "bay-clear", `{}`)
	// What the job learns between the words is asked again with the second.
	w.fact(key, `{"sensors":["front-camera"],"missing":["dimensions"],"withdrawn":true}`)
	refused(specialist, "go", "The job was withdrawn: declare this calibration withdrawn, too.")
	w.do(specialist, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
}

func TestNoCalibrationOfAWithdrawnJob(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.car(`"withdrawn":true`)
	_, _, err := w.try(technician, "open", dataOf(w, "open"))
	require.Equal(t, []fault.Field{{Name: "guard", Want: "job-goes-on"}}, fault.Of(err).Fields)
}

// TestAWithdrawnJobIsNotMeasured: readings, clamps, freezing and closing readings go by the job, as the words do; what is
// expected then is that the calibration is declared withdrawn, whatever it was at, unless a leg runs.
func TestAWithdrawnJobIsNotMeasured(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	expected := func(phase Phase) {
		t.Helper()
		require.Equal(t, phase, w.state().phase)
		require.Equal(t, Turn{Who: stream.Technician, Do: "declare", Outcome: Withdrawn}, w.state().TurnBy(JobNow{Withdrawn: true, VINInDoubt: true}, w.now))
	}
	refused := func(command, data string) {
		t.Helper()
		w.car(`"withdrawn":true`)
		_, _, err := w.try(technician, command, data)
		require.Equal(t, []fault.Field{{Name: "guard", Want: "job-goes-on"}}, fault.Of(err).Fields, "%s: %v", command, err)
		w.car(`"withdrawn":false`)
	}
	w.open()
	expected(Preparing)
	w.issue()
	w.request()
	expected(Waiting)
	w.claim()
	w.adopt()
	w.fit()
	expected(Guided)
	refused("report-readings", readingsData(true, w.measured()))
	w.place()
	refused("lock", `{}`)
	w.lock()
	refused("freeze", `{}`)
	w.freeze()
	refused("report-closing", closingData(w.closing(0)))
	w.close()
	w.start()
	require.Equal(t, Running, w.state().phase)
	require.Equal(t, "end-leg", w.state().TurnBy(JobNow{Withdrawn: true, VINInDoubt: true}, w.now).Do)
	w.do(technician, "stop", `{}`)
	expected(Stopped)
	w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The job was withdrawn."}`)
	require.Equal(t, w.state().View(w.now).Turn, w.state().TurnBy(JobNow{Withdrawn: true, VINInDoubt: true}, w.now))
}

// TestTwoVINsAreSettledFirst: the turn asks for it until a step is under way, and while a leg runs or the outcome stands it
// asks for nothing of the job's.
func TestTwoVINsAreSettledFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	doubt := func() Turn { return w.state().TurnBy(JobNow{VINInDoubt: true}, w.now) }
	settle := Turn{Who: stream.Technician, Do: SettleVIN}
	w.open()
	require.Equal(t, settle, doubt(), "before the gates")
	w.issue()
	w.request()
	require.Equal(t, settle, doubt(), "while it waits")
	w.claim()
	require.Equal(t, settle, doubt())
	w.adopt()
	w.do(specialist, "instruct", `{"step":"fit-target"}`)
	require.Equal(t, "read-back", doubt().Do, "what was begun is ended")
	w.do(specialist, "withdraw-step", `{"step":1}`)
	require.Equal(t, settle, doubt())
	w.fit()
	w.place()
	w.lock()
	w.freeze()
	w.close()
	require.Equal(t, settle, doubt(), "before the words")
	w.start()
	require.Equal(t, "end-leg", doubt().Do)
	w.do(technician, "stop", `{}`)
	require.Equal(t, settle, doubt())
	w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
	require.Equal(t, w.state().View(w.now).Turn, doubt())
}
