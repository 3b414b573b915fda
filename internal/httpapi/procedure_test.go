package httpapi_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/spec"
)

// TestProcedureFaultsAreAllListed: a procedure with limits that contradict each other, limits that nobody answers for, a
// gate twice and a source without its version is refused whole, with every one of them.
func TestProcedureFaultsAreAllListed(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	var data struct {
		ID        stream.ID      `json:"id"`
		Procedure map[string]any `json:"procedure"`
	}
	require.NoError(t, json.Unmarshal(exampleOf(t, stream.Register, "add-procedure", 0), &data))
	delete(data.Procedure["source"].(map[string]any), "version")
	gates := data.Procedure["gates"].([]any)
	gates[0].(map[string]any)["gate"] = "cover-sound"
	delete(gates[2].(map[string]any), "limits_by")
	gates[3].(map[string]any)["value"] = map[string]any{"unit": "mV", "lower": 14000, "upper": 12000}
	before := s.Stored()
	shop := owner.Register()
	got := ask(t, owner, "POST", shop.Path()+"/commands", apptest.Body(stream.NewID(), shop.Seq, "add-procedure", string(spec.Text(t, data))))
	problem(t, got, fault.InvalidInput, "data.procedure.source.version", "data.procedure.gates[1].gate", "data.procedure.gates[2].limits_by",
		"data.procedure.gates[3].value.upper")
	require.Contains(t, got.Body, "above lower, which is 14000 mV")

	// Who answers for limits is somebody of the shop.
	require.NoError(t, json.Unmarshal(exampleOf(t, stream.Register, "add-procedure", 0), &data))
	data.Procedure["set_ups"].([]any)[0].(map[string]any)["limits_by"] = stream.NewID().String()
	got = ask(t, owner, "POST", shop.Path()+"/commands", apptest.Body(stream.NewID(), shop.Seq, "add-procedure", string(spec.Text(t, data))))
	problem(t, got, fault.NotHere, "data.procedure.set_ups[0].limits_by")

	// As it is written, in YAML, each fault has its line; nothing of it is kept.
	written, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "procedures", "front-radar.yaml"))
	require.NoError(t, err)
	read := func(kind, text string) apptest.Answer {
		return ask(t, owner, "POST", "/v1/read-document", string(spec.Text(t, map[string]string{"kind": kind, "text": text})))
	}
	got = read("procedure", string(written))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	require.Contains(t, got.Body, `"title":"Front radar, reflector (invented)"`)
	require.Contains(t, got.Body, `"lateral_um":8000`)
	wrong := strings.NewReplacer("sensor: front-radar\nsource", "sensor: front-sonar\nsource", "grade: caution", "grade: maybe").Replace(string(written))
	problem(t, read("procedure", wrong), fault.InvalidInput, "sensor (line 4)", "gates[2].grade (line 23)")
	problem(t, read("procedure", "title: &a x\n"), fault.InvalidInput, "title (line 1)")
	problem(t, read("dimensions", "type: Invented\nvehicle: {wheelbase_mm: 2, front_track_mm: 1500, rear_track_mm: 1500,\n"+
		"  front_overhang_mm: 800, rear_overhang_mm: 800, hub_height_mm: {front: 300, rear: 300}}\nwidth: 3\n"),
		fault.InvalidInput, "vehicle.wheelbase_mm (line 2)", "width (line 4)", "source (line 1)")
	problem(t, read("sheet", "type: Invented"), fault.InvalidInput, "kind")
	require.Equal(t, before, s.Stored())
}

// TestProcedureStaysAsUsed: whoever began with a version keeps it, gates, limits, source and digest; what begins after a
// revision goes by the next.
func TestProcedureStaysAsUsed(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, tech := s.As(apptest.ShopOwner), s.As(apptest.Technician)
	owner.Do(owner.Register(), "add-procedure", string(exampleOf(t, stream.Register, "add-procedure", 0)))
	const id = "01940000-0000-7000-8000-00000000e0d1"
	job := apptest.NewStream(stream.Job)
	tech.Do(job, "open-job", `{"plate":"DEMO 5","causes":["bumper"],"sensors":{"affected":["front-radar"],"not_affected":[],"none_fitted":false}}`)
	open := func() *apptest.Stream {
		cal := apptest.NewStream(stream.Calibration)
		tech.Do(cal, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-radar","procedure":{"register":%q,"id":%q}}`, job.ID, owner.Access.Org, id))
		return cal
	}
	type view struct {
		State struct {
			Procedure struct {
				Version int
				Digest  string
				Source  struct{ Dated, Version string }
			}
			Gates []struct {
				Gate     string
				Met      *bool
				LimitsBy string `json:"limits_by"`
			}
			Sheet struct {
				Target   string
				Source   struct{ Version string }
				Limits   string
				LimitsBy string `json:"limits_by"`
			}
		}
	}
	look := func(cal *apptest.Stream) view { return apptest.Read[view](tech, ask(t, tech, "GET", cal.Path(), "")) }
	first := open()
	used := look(first)
	require.Equal(t, 1, used.State.Procedure.Version)
	require.Equal(t, "2.1", used.State.Procedure.Source.Version)

	shop := owner.Register()
	again := ask(t, owner, "POST", shop.Path()+"/commands", apptest.Body(stream.NewID(), shop.Seq, "add-procedure", string(exampleOf(t, stream.Register, "add-procedure", 0))))
	problem(t, again, fault.AlreadyThere, "data.id")
	owner.Do(shop, "revise-procedure", string(exampleOf(t, stream.Register, "revise-procedure", 0)))
	second := open()
	require.Equal(t, used.State.Procedure, look(first).State.Procedure)
	require.Equal(t, 2, look(second).State.Procedure.Version)
	require.Equal(t, "2.2", look(second).State.Procedure.Source.Version)
	require.NotEqual(t, used.State.Procedure.Digest, look(second).State.Procedure.Digest)

	// 12.9 V is above the first version's 12.8 V and below the second's 13 V, whatever is ticked.
	for cal, met := range map[*apptest.Stream]bool{first: true, second: false} {
		data := `{"gate":"battery-voltage","met":%t,"evidence":"measured","value":{"amount":12900,"unit":"mV"}}`
		got := ask(t, tech, "POST", cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "record-gate", fmt.Sprintf(data, true)))
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		cal.Seq++
		for _, g := range look(cal).State.Gates {
			switch g.Gate {
			case "battery-voltage":
				require.Equal(t, met, *g.Met)
			case "ride-height":
				require.Equal(t, tech.Access.Member.String(), g.LimitsBy, "the shop's own limits, and who answers for them")
			}
		}
	}

	// The target that the procedure asks for, and no other; numbers and source come from the version that was used.
	sheet := func(fixture string) string {
		return fmt.Sprintf(`{"from_procedure":{"set_up":"reflector ahead"},"fixture":%q,"dimensions":"01940000-0000-7000-8000-0000000000e1",
			"bay":"01940000-0000-7000-8000-0000000000b1","measure":[]}`, fixture)
	}
	wrong := ask(t, tech, "POST", first.Path()+"/commands", apptest.Body(stream.NewID(), first.Seq, "issue-sheet", sheet("01940000-0000-7000-8000-0000000000f1")))
	problem(t, wrong, fault.NotMet, "guard")
	require.Contains(t, wrong.Body, `"want":"target-asked`)
	owner.Do(owner.Register(), "add-fixture", string(exampleOf(t, stream.Register, "add-fixture", 0)))
	tech.Do(first, "issue-sheet", sheet("01940000-0000-7000-8000-00000000e0f1"))
	got := look(first).State.Sheet
	require.Equal(t, "T-RFL-02", got.Target)
	require.Equal(t, "2.1", got.Source.Version)
	require.Equal(t, []string{"own", tech.Access.Member.String()}, []string{got.Limits, got.LimitsBy})
}
