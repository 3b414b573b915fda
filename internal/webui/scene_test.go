package webui_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// scene is a calibration that both sides bring to some point by HTTP, so that a window can be opened on it there.
type scene struct {
	t          testing.TB
	tech, desk *apptest.Client
	job, cal   *apptest.Stream
	rig        *rig
}

// newScene opens a job and the calibration of its front camera.
func newScene(t testing.TB, s *apptest.Server) *scene {
	t.Helper()
	c := &scene{t: t, tech: s.As(apptest.Technician), desk: s.As(apptest.Specialist), rig: place(0.4, -0.3, 0.4, 0.02)}
	c.job = c.tech.OpenJob()
	c.cal = c.tech.OpenCalibration(c.job)
	return c
}

// byProcedure opens another calibration of the job, by the procedure of testdata/import/shop.json.
func (c *scene) byProcedure() {
	c.t.Helper()
	c.cal = apptest.NewStream(stream.Calibration)
	c.tech.Do(c.cal, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera","procedure":{"register":%q,"id":"01940000-0000-7000-8000-0000000000f7"}}`,
		c.job.ID, c.tech.Access.Org))
}

func (c *scene) bay() string    { return "/bay/" + c.cal.ID.String() }
func (c *scene) atDesk() string { return "/desk/" + c.cal.ID.String() }

// does gives a command on the calibration as it is now, whoever else has changed it.
func (c *scene) does(who *apptest.Client, typ, data string) {
	c.t.Helper()
	c.cal.Seq = apptest.Read[struct{ Seq uint64 }](who, who.Get(c.cal.Path())).Seq
	who.Do(c.cal, typ, data)
}

// state reads what the service says of the calibration.
func (c *scene) state(into any) {
	c.t.Helper()
	got := apptest.Read[struct{ State json.RawMessage }](c.tech, c.tech.Get(c.cal.Path()))
	require.NoError(c.t, json.Unmarshal(got.State, into), string(got.State))
}

// gates answers every gate; those named are not met.
func (c *scene) gates(not ...string) {
	c.t.Helper()
	var state struct{ Gates []struct{ Gate string } }
	c.state(&state)
	for _, g := range state.Gates {
		met, value := true, ""
		for _, name := range not {
			met = met && g.Gate != name
		}
		if g.Gate == "temperature-noted" {
			value = `,"value":{"amount":18500,"unit":"mC"}`
		}
		c.does(c.tech, "record-gate", fmt.Sprintf(`{"gate":%q,"met":%t,"evidence":"declared"%s}`, g.Gate, met, value))
	}
}

// sheet issues the set-up sheet with two positions, on the line and left of it.
func (c *scene) sheet() {
	c.t.Helper()
	c.sheetOf(`{"name":"1","lateral_um":0},{"name":"2","lateral_um":620000}`)
}

func (c *scene) sheetOf(positions string) {
	c.t.Helper()
	c.does(c.tech, "issue-sheet", `{"setup":{"sensor":"front-camera","side":"ahead","datum":"front-bumper","datum_height_um":500000,
		"line":"thrust-line","distance_um":2120000,"height_um":1260000,
		"positions":[`+positions+`],
		"tolerance":{"distance_um":5000,"lateral_um":5000,"height_um":5000,"yaw_udeg":300000,"roll_udeg":500000}},
		"fixture":"01940000-0000-7000-8000-0000000000f1","dimensions":"01940000-0000-7000-8000-0000000000e1",
		"bay":"01940000-0000-7000-8000-0000000000b1","limits":"stated",
		"source":{"title":"Invented service information, front camera","dated":"2026-03-01","version":"4"},
		"measure":[`+strings.Join(planned, ",")+`]}`)
}

// planned are the readings of each position.
var planned = []string{
	`{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1"}`,
	span("left", "left"), span("right", "right"), span("left", "right"), span("right", "left"),
	`{"quantity":"end-height","to":"left-end","instrument":"01940000-0000-7000-8000-0000000000c3"}`,
	`{"quantity":"end-height","to":"right-end","instrument":"01940000-0000-7000-8000-0000000000c3"}`,
	`{"quantity":"level","instrument":"01940000-0000-7000-8000-0000000000c6"}`,
}

func span(hub, end string) string {
	return fmt.Sprintf(`{"quantity":"span","from":"front-%s-hub","to":"%s-end","instrument":"01940000-0000-7000-8000-0000000000c2","pointing_um":500}`, hub, end)
}

// measured fills readings with what the rig gives; nil is all that are planned.
func (c *scene) measured(list []string) string {
	c.t.Helper()
	if list == nil {
		list = planned
	}
	var out []string
	for _, text := range list {
		var r struct{ Quantity, From, To string }
		require.NoError(c.t, json.Unmarshal([]byte(text), &r))
		side := strings.TrimSuffix(r.To, "-end")
		key, digits, ask := "value_um", 3, map[string]string{
			"datum-distance": "front bumper to board face", "level": "level of the board", "end-height": "height of " + side + " end",
			"span": "front " + strings.TrimSuffix(strings.TrimPrefix(r.From, "front-"), "-hub") + " hub to " + side + " end",
		}[r.Quantity]
		if r.Quantity == "level" {
			key, digits = "value_udeg", 6
		}
		var value float64
		_, err := fmt.Sscan(c.rig.read(ask), &value)
		require.NoError(c.t, err)
		for range digits {
			value *= 10
		}
		out = append(out, fmt.Sprintf(`%s,%q:%.0f}`, strings.TrimSuffix(text, "}"), key, value))
	}
	return "[" + strings.Join(out, ",") + "]"
}

func (c *scene) report(list []string) {
	c.t.Helper()
	c.does(c.tech, "report-readings", `{"moved":true,"readings":`+c.measured(list)+`}`)
}

// claimed goes to where the specialist has adopted the sheet and the target is fitted.
func (c *scene) claimed(not ...string) {
	c.t.Helper()
	c.gates(not...)
	c.sheet()
	c.does(c.tech, "request", `{}`)
	c.claim()
}

// claim takes it from the queue and has the target fitted.
func (c *scene) claim() {
	c.t.Helper()
	c.does(c.desk, "claim", `{}`)
	c.does(c.desk, "adopt-sheet", `{"sheet":1}`)
	c.step(`{"step":"fit-target"}`, `"target":"T-CAM-07"`)
}

// step has a step instructed, read back, confirmed and done.
func (c *scene) step(order, answer string) {
	c.t.Helper()
	c.does(c.desk, "instruct", order)
	var state struct {
		Steps []struct{ Step json.RawMessage }
	}
	c.state(&state)
	n := len(state.Steps)
	c.does(c.tech, "read-back", fmt.Sprintf(`{"step":%d,%s}`, n, answer))
	c.does(c.desk, "confirm", fmt.Sprintf(`{"step":%d}`, n))
	c.does(c.tech, "done", fmt.Sprintf(`{"step":%d}`, n))
}

// held goes on from readings within limits to where only the two words are missing.
func (c *scene) held() {
	c.t.Helper()
	c.does(c.tech, "lock", `{}`)
	c.does(c.tech, "freeze", `{}`)
	c.does(c.tech, "report-closing", `{"readings":`+c.measured(planned[:5])+`}`)
}

// scanned records a scan without codes.
func (c *scene) scanned(when string) {
	c.t.Helper()
	c.job.Seq = apptest.Read[struct{ Seq uint64 }](c.tech, c.tech.Get(c.job.Path())).Seq
	c.tech.Do(c.job, "record-scan", fmt.Sprintf(`{"when":%q,"source":"typed","codes":[]}`, when))
}

// run is a leg at the position where the board stands.
func (c *scene) run() {
	c.t.Helper()
	c.does(c.tech, "bay-clear", `{}`)
	c.does(c.desk, "go", `{}`)
}

// register is the register of whoever asks, as it stands.
func register(who *apptest.Client) *apptest.Stream {
	r := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: who.Access.Org}}
	r.Seq = apptest.Read[struct{ Seq uint64 }](who, who.Get(r.Path())).Seq
	return r
}

// grant enters proof of competence for the front camera.
func grant(owner *apptest.Client, member string) {
	owner.Do(register(owner), "grant-competence", fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":"2099-12-31","proof":"INV-0010"}`, member))
}
