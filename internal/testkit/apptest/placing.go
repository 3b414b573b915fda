package apptest

import (
	"fmt"

	"readback/internal/stream"
)

// Sheet is the data of a set-up sheet for the world's front camera that two readings decide: the distance from the bumper
// and the offset from the line. The limits are 6 mm.
const Sheet = `{"setup":{"sensor":"front-camera","datum":"front-bumper","datum_height_um":400000,"line":"centreline","distance_um":2000000,
	"height_um":600000,"positions":[{"name":"middle","lateral_um":0},{"name":"left","lateral_um":800000}],
	"tolerance":{"distance_um":6000,"lateral_um":6000}},
	"fixture":"01940000-0000-7000-8000-0000000000f1","dimensions":"01940000-0000-7000-8000-0000000000e1",
	"bay":"01940000-0000-7000-8000-0000000000b1","source":{"title":"Invented service information","dated":"2026-03-01","version":"4"},
	"limits":"stated","measure":[]}`

// Readings are those of the sheet's first position, within the limits.
const Readings = `[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":2000300},
	{"quantity":"centre-offset","instrument":"01940000-0000-7000-8000-0000000000c4","value_um":900,"plumbed":true}]`

// Register is the register of the client's organisation as it stands.
func (c *Client) Register() *Stream {
	c.s.t.Helper()
	r := &Stream{Ref: stream.Ref{Kind: stream.Register, ID: c.Access.Org}}
	r.Seq = c.Head(r)
	return r
}

// Head is the number of a stream's last entry.
func (c *Client) Head(of *Stream) uint64 {
	c.s.t.Helper()
	return Read[struct{ Seq uint64 }](c, c.Get(of.Path())).Seq
}

// Placed takes a calibration that was opened to where the fixture stands within its limits: gates answered, sheet issued,
// guidance asked for, claimed by desk, the target's id read back, readings reported.
func (c *Client) Placed(desk *Client, cal *Stream) {
	c.s.t.Helper()
	for _, g := range Read[struct {
		State struct{ Gates []struct{ Gate string } }
	}](c, c.Get(cal.Path())).State.Gates {
		c.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"}`, g.Gate))
	}
	c.Do(cal, "issue-sheet", Sheet)
	c.Do(cal, "request", `{}`)
	desk.Do(cal, "claim", `{}`)
	desk.Do(cal, "adopt-sheet", `{"sheet":1}`)
	c.Fitted(desk, cal, 1)
	c.Do(cal, "report-readings", `{"moved":true,"readings":`+Readings+`}`)
}

// Fitted has the target fitted, in a step of that number, and its id read back.
func (c *Client) Fitted(desk *Client, cal *Stream, step int) {
	c.s.t.Helper()
	desk.Do(cal, "instruct", `{"step":"fit-target"}`)
	c.Do(cal, "read-back", fmt.Sprintf(`{"step":%d,"target":"T-CAM-07"}`, step))
	desk.Do(cal, "confirm", fmt.Sprintf(`{"step":%d}`, step))
	c.Do(cal, "done", fmt.Sprintf(`{"step":%d}`, step))
}

// Held goes on from there to where only the two words are missing, if a scan without blocking codes is recorded in the job.
func (c *Client) Held(cal *Stream) {
	c.s.t.Helper()
	c.Do(cal, "lock", `{}`)
	c.Do(cal, "freeze", `{}`)
	c.Do(cal, "report-closing", `{"readings":`+Readings+`}`)
}

// Scanned records a scan without codes before the work.
func (c *Client) Scanned(job *Stream) {
	c.s.t.Helper()
	c.Do(job, "record-scan", `{"when":"before","source":"typed","codes":[]}`)
}
