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

// TestNoneFitted: that a car has no sensor that needs it is recorded, which is not the same as not looked; no list stands
// beside it, and nothing is calibrated until somebody has said otherwise.
func TestNoneFitted(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	job := apptest.NewStream(stream.Job)
	tech.Do(job, "open-job", `{"plate":"DEMO 8","causes":["bumper"],"customer_told":true}`)
	type view struct {
		State struct {
			Missing []string
			Work    struct {
				Sensors *struct {
					Affected   []string
					NoneFitted bool `json:"none_fitted"`
				}
			}
		}
	}
	look := func() view { return apptest.Read[view](tech, ask(t, tech, "GET", job.Path(), "")) }
	require.Contains(t, look().State.Missing, "sensors")
	got := ask(t, tech, "POST", job.Path()+"/commands", apptest.Body(stream.NewID(), job.Seq, "describe-work",
		`{"sensors":{"affected":["front-radar"],"not_affected":[],"none_fitted":true}}`))
	problem(t, got, fault.InvalidInput, "data.sensors.none_fitted")
	tech.Do(job, "describe-work", `{"sensors":{"affected":[],"not_affected":[],"none_fitted":true}}`)
	require.NotContains(t, look().State.Missing, "sensors")
	require.True(t, look().State.Work.Sensors.NoneFitted)

	cal := apptest.NewStream(stream.Calibration)
	opens := apptest.Body(stream.NewID(), 0, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-radar"}`, job.ID))
	got = ask(t, tech, "POST", cal.Path()+"/commands", opens)
	problem(t, got, fault.NotMet, "guard")
	require.Contains(t, got.Body, "it lists none")
	tech.Do(job, "describe-work", `{"sensors":{"affected":["front-radar"],"not_affected":[],"none_fitted":false}}`)
	got = ask(t, tech, "POST", cal.Path()+"/commands", opens)
	require.Equal(t, 200, got.Status, got.Body)
}
