package httpapi_test

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// Two VINs that differ are told to be so without being opened; both are shown in plain text to the shop alone.
func TestVINsOfOneJobAreCompared(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	path := "/v1/jobs/" + stream.NewID().String()
	give := func(base uint64, typ, data string) {
		t.Helper()
		got := ask(t, tech, "POST", path+"/commands", apptest.Body(stream.NewID(), base, typ, data))
		require.Equal(t, http.StatusOK, got.Status, got.Body)
	}
	type view struct {
		State struct {
			Vehicle   struct{ VIN stream.Sealed }
			Announced struct {
				VIN      stream.Sealed
				VINEqual bool `json:"vin_equal"`
			}
		}
		Opened map[string]string
	}
	look := func() view { return apptest.Read[view](tech, ask(t, tech, "GET", path, "")) }
	give(0, "open-job", `{"vin":"ZZZDEM0A4CR000017"}`)
	give(1, "announce-vehicle", `{"vin":"ZZZDEM0A4CR000018"}`)
	v := look()
	require.False(t, v.State.Announced.VINEqual)
	require.Equal(t, "ZZZDEM0A4CR000017", v.Opened[v.State.Vehicle.VIN.Sealed.V])
	require.Equal(t, "ZZZDEM0A4CR000018", v.Opened[v.State.Announced.VIN.Sealed.V])
	give(2, "settle-vin", `{"right":"announced","reason":"A slip of the pen."}`)
	give(3, "announce-vehicle", `{"vin":"ZZZDEM0A4CR000018"}`)
	require.True(t, look().State.Announced.VINEqual)

	entries := apptest.Read[struct {
		Entries []struct{ Body json.RawMessage }
	}](tech, ask(t, tech, "GET", path+"/entries", ""))
	for _, e := range entries.Entries {
		require.NotContains(t, string(e.Body), "ZZZDEM", "no VIN stands openly")
	}
}

// TestTwoVINsHoldTheLeg until a person of the shop has settled which is right; everything before goes on.
func TestTwoVINsHoldTheLeg(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	tech.Scanned(job)
	tech.Do(job, "announce-vehicle", `{"vin":"ZZZDEM0A4CR000018"}`)
	cal := tech.OpenCalibration(job)
	next := func() string {
		t.Helper()
		said := apptest.Read[struct{ Words struct{ Turn string } }](desk, ask(t, desk, "GET", cal.Path()+"/words", ""))
		return said.Words.Turn
	}
	tech.Placed(desk, cal)
	tech.Held(cal)
	got := ask(t, tech, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "bay-clear", `{}`))
	problem(t, got, fault.NotMet, "guard")
	require.Contains(t, got.Body, `"want":"one-vin`)
	require.Equal(t, "Technician: settle which VIN is the car’s", next())
	tech.Do(job, "settle-vin", `{"right":"typed","reason":"Read from the windscreen."}`)
	require.Equal(t, "Technician: say bay clear", next())
	tech.Do(cal, "bay-clear", `{}`)
	desk.Do(cal, "go", `{}`)
}
