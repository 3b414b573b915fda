package httpapi_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestScanHoldsTheLegOnly: scan and set-up are two tracks. Everything up to the two words goes on without a scan; a word
// waits for one, and then for one without a blocking code; and the scan after the work is compared with the one before.
func TestScanHoldsTheLegOnly(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	tech.Placed(desk, cal)
	tech.Held(cal)
	held := func(says string) {
		t.Helper()
		got := ask(t, tech, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "bay-clear", `{}`))
		problem(t, got, fault.NotMet, "guard")
		require.Contains(t, got.Body, `"want":"scan-clear`)
		require.Contains(t, got.Body, says)
	}
	held("scan")
	tech.Do(job, "record-scan", `{"when":"before","source":"pasted","codes":[{"code":"P0805-11","status":47,"blocking":true},{"code":"U0140","blocking":false}]}`)
	held("1 blocking trouble code")
	tech.Do(job, "record-scan", `{"when":"before","source":"pasted","codes":[{"code":"P0805-11","status":40,"blocking":false},{"code":"U0140","blocking":false}]}`)
	tech.Do(cal, "bay-clear", `{}`)
	desk.Do(cal, "go", `{}`)
	desk.Do(cal, "end-leg", `{"outcome":"completed"}`)

	tech.Do(job, "record-scan", `{"when":"after","source":"typed","codes":[{"code":"P0805-11","status":40,"blocking":false},{"code":"B1F0E-54","blocking":false}]}`)
	type found struct{ Code string }
	c := apptest.Read[struct {
		State struct {
			Comparison struct{ Gone, Still, New []found }
		}
	}](tech, ask(t, tech, "GET", job.Path(), "")).State.Comparison
	require.Equal(t, []found{{"U0140"}}, c.Gone)
	require.Equal(t, []found{{"P0805-11"}}, c.Still)
	require.Equal(t, []found{{"B1F0E-54"}}, c.New)
}
