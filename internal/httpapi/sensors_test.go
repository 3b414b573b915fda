package httpapi_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestSensorsOfOneCarTogether: two calibrations of one job are asked for together. They stand together in the queue, whatever
// came between, and go to one specialist, the leading one first.
func TestSensorsOfOneCarTogether(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := apptest.NewStream(stream.Job)
	tech.Do(job, "open-job", `{"plate":"DEMO 6","causes":["bumper"],"sensors":{"affected":["front-camera","front-radar"],"not_affected":["rear-camera"],"none_fitted":false}}`)
	opens := func(sensor string) *apptest.Stream {
		cal := apptest.NewStream(stream.Calibration)
		tech.Do(cal, "open", fmt.Sprintf(`{"job":%q,"sensor":%q}`, job.ID, sensor))
		for _, g := range apptest.Read[struct {
			State struct{ Gates []struct{ Gate, By string } }
		}](tech, tech.Get(cal.Path())).State.Gates {
			if g.By == "request" {
				tech.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"}`, g.Gate))
			}
		}
		return cal
	}
	camera, radar := opens("front-camera"), opens("front-radar")
	between := tech.OpenCalibration(tech.OpenJob())
	tech.Do(camera, "request", `{}`)
	tech.Request(between)
	got := ask(t, tech, "POST", radar.Path()+"/commands", apptest.Body(stream.NewID(), radar.Seq, "request", fmt.Sprintf(`{"with":%q}`, between.ID)))
	problem(t, got, fault.NotMet, "guard") // of another car
	tech.Do(radar, "request", fmt.Sprintf(`{"with":%q}`, camera.ID))

	type queue struct {
		Waiting []struct {
			Stream stream.Ref
			Place  struct{ Reasons []struct{ Code string } }
		}
	}
	q := apptest.Read[queue](desk, ask(t, desk, "GET", "/v1/queue", "")).Waiting
	require.Len(t, q, 3)
	require.Equal(t, []stream.Ref{camera.Ref, radar.Ref, between.Ref}, []stream.Ref{q[0].Stream, q[1].Stream, q[2].Stream})
	require.Contains(t, q[1].Place.Reasons, struct{ Code string }{"asked-together"})

	got = ask(t, desk, "POST", radar.Path()+"/commands", apptest.Body(stream.NewID(), radar.Seq, "claim", `{}`))
	problem(t, got, fault.NotMet, "guard")
	require.Contains(t, got.Body, `"want":"lead-first`)
	desk.Do(camera, "claim", `{}`)
	desk.Do(radar, "claim", `{}`)

	// A sensor that the job lists as not affected is not calibrated.
	got = ask(t, tech, "POST", apptest.NewStream(stream.Calibration).Path()+"/commands",
		apptest.Body(stream.NewID(), 0, "open", fmt.Sprintf(`{"job":%q,"sensor":"rear-camera"}`, job.ID)))
	problem(t, got, fault.NotMet, "guard")
}
