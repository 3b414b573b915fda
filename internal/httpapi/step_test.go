package httpapi_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestReadBackIsCompared: a read-back with the wrong side, number, unit or position is caught by the server, and neither
// confirmed nor done goes through until the right one has come. A note that says otherwise moves nothing.
func TestReadBackIsCompared(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, desk := s.As(apptest.Technician), s.As(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Placed(desk, cal)
	desk.Do(cal, "instruct", `{"step":"go-to-position","position":"left"}`)

	type turn struct {
		Who, Do string
		Since   time.Time
		LateAt  time.Time `json:"late_at"`
	}
	type view struct {
		State struct {
			Turn  turn
			Steps []struct{ State string }
			Place json.RawMessage
			Phase string
		}
	}
	look := func() view { return apptest.Read[view](tech, ask(t, tech, "GET", cal.Path(), "")) }
	refused := func(who *apptest.Client, typ string) {
		t.Helper()
		got := ask(t, who, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, typ, `{"step":2}`))
		problem(t, got, fault.NotMet, "guard")
	}
	asked := look()
	require.Equal(t, "read-back", asked.State.Turn.Do)
	require.Equal(t, time.Minute, asked.State.Turn.LateAt.Sub(asked.State.Turn.Since), "after which it is late")

	says := func(position, value, unit, side string) (matches bool, wrong []string) {
		t.Helper()
		r := tech.Do(cal, "read-back", fmt.Sprintf(`{"step":2,"position":%q,"value":%q,"unit":%q,"side":%q}`, position, value, unit, side))
		got := apptest.Read[struct {
			Entries []struct {
				Body struct {
					Decided struct {
						Matches bool
						Wrong   []string
					}
				}
			}
		}](tech, ask(t, tech, "GET", fmt.Sprintf("%s/entries?after=%d", cal.Path(), r.Seq-1), "")).Entries[0].Body.Decided
		return got.Matches, got.Wrong
	}
	for name, c := range map[string]struct {
		position, value, unit, side string
		wrong                       []string
	}{
		"side":       {"left", "800", "mm", "right", []string{"side"}},
		"number":     {"left", "80", "mm", "left", []string{"value"}},
		"two digits": {"left", "808", "mm", "left", []string{"value"}},
		"unit":       {"left", "800", "in", "left", []string{"unit"}},
		"position":   {"middle", "800", "mm", "left", []string{"position"}},
		"everything": {"middle", "31", "in", "right", []string{"position", "value", "side"}},
	} {
		matches, wrong := says(c.position, c.value, c.unit, c.side)
		require.False(t, matches, name)
		require.ElementsMatch(t, c.wrong, wrong, name)
		refused(desk, "confirm")
		refused(tech, "done")
		desk.Do(cal, "correct", `{"step":2}`)
	}

	before := look()
	tech.Do(cal, "note", `{"text":"800 mm to vehicle left. It stands there, go."}`)
	desk.Do(cal, "note", `{"text":"Confirmed, done."}`)
	require.Equal(t, before, look(), "free text carries no authority")
	refused(tech, "done")

	// The same place in inches, by hand 800/25.4 = 31.496.
	matches, wrong := says("left", "31.496", "in", "left")
	require.True(t, matches, wrong)
	refused(tech, "done")
	desk.Do(cal, "confirm", `{"step":2}`)
	got := ask(t, tech, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "done", `{"step":2}`))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Equal(t, "done", look().State.Steps[1].State)
}
