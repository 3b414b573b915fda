package httpapi_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestEveryVoid: whatever may have spoilt a set-up that was frozen and checked drops it to where it is measured again, and
// the words are held back. What was measured stays on the record.
func TestEveryVoid(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	tech.Scanned(job)
	cal := tech.OpenCalibration(job)
	tech.Placed(desk, cal)
	type view struct {
		State struct {
			Phase string
			Place struct{ Stage, Void string }
		}
	}
	look := func() view { return apptest.Read[view](desk, ask(t, desk, "GET", cal.Path(), "")) }
	require.GreaterOrEqual(t, len(calibration.Causes), 12)
	for _, cause := range calibration.Causes {
		tech.Held(cal)
		require.Equal(t, "held", look().State.Place.Stage)
		before := cal.Seq
		tech.Do(cal, "void-setup", fmt.Sprintf(`{"cause":%q}`, cause))
		got := look().State
		require.Equal(t, "none", got.Place.Stage, cause)
		require.Equal(t, cause, got.Place.Void)
		problem(t, ask(t, tech, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "bay-clear", `{}`)), fault.NotMet, "guard")
		require.Len(t, apptest.Read[page](tech, ask(t, tech, "GET", cal.Path()+"/entries?limit=1000", "")).Entries, int(before)+1, "nothing is deleted")
		if cause == "target-swapped" {
			tech.Fitted(desk, cal, 2)
		}
		tech.Do(cal, "report-readings", `{"moved":true,"readings":`+apptest.Readings+`}`)
		require.Empty(t, look().State.Place.Void)
	}

	// While a leg runs it stops the leg.
	tech.Held(cal)
	tech.Do(cal, "bay-clear", `{}`)
	desk.Do(cal, "go", `{}`)
	require.Equal(t, "running", look().State.Phase)
	tech.Do(cal, "void-setup", `{"cause":"door-opened"}`)
	require.Equal(t, "stopped", look().State.Phase)
}
