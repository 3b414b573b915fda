package apptest

import (
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
)

// Stream is one stream under work, as its clients know it.
type Stream struct {
	stream.Ref
	Seq uint64 // of the last entry
}

// NewStream is one that is not there yet.
func NewStream(kind stream.Kind) *Stream {
	return &Stream{Ref: stream.Ref{Kind: kind, ID: stream.NewID()}}
}

// Path is where HTTP has the stream.
func (s *Stream) Path() string { return fmt.Sprintf("/v1/%ss/%s", s.Kind, s.ID) }

// Body is a command as it is sent.
func Body(id stream.ID, base uint64, typ, data string) string {
	return fmt.Sprintf(`{"id":%q,"base":%d,"type":%q,"data":%s}`, id, base, typ, data)
}

// Receipt is the answer to an accepted command.
type Receipt struct {
	Seq      uint64 `json:"seq"`
	Hash     string `json:"hash"`
	Type     string `json:"type"`
	At       string `json:"at"`
	Repeated bool   `json:"repeated"`
}

// Do gives a new command on what the stream is now, and wants it accepted.
func (c *Client) Do(s *Stream, typ, data string) Receipt {
	c.s.t.Helper()
	got := c.Post(s.Path()+"/commands", Body(stream.NewID(), s.Seq, typ, data))
	require.Equal(c.s.t, http.StatusOK, got.Status, "%s: %s", typ, got.Body)
	r := Read[Receipt](c, got)
	require.Equal(c.s.t, s.Seq+1, r.Seq)
	s.Seq = r.Seq
	return r
}

// Read decodes an answer.
func Read[T any](c *Client, a Answer) (v T) {
	c.s.t.Helper()
	require.NoError(c.s.t, json.Unmarshal([]byte(a.Body), &v), a.Body)
	return v
}

// OpeningJob is the data of a job for the front camera of the world's car. The VIN's check digit is that of 49 CFR
// 565.15(c), computed by hand.
const OpeningJob = `{"vin":"ZZZDEM0A4CR000017","plate":"DEMO 1","mileage_km":48210,"steering":"left",
	"dimensions":"01940000-0000-7000-8000-0000000000e1","causes":["glass"],"customer_told":true,
	"sensors":{"affected":["front-camera"],"not_affected":[],"none_fitted":false}}`

// Alignment is the data of a wheel alignment whose thrust line runs 0.15° to the right.
const Alignment = `{"when":"after","steering_zero_done":true,
	"wheels":{"rear_left":{"toe_udeg":250000},"rear_right":{"toe_udeg":-50000}}}`

// OpenJob opens a job with its wheel alignment.
func (c *Client) OpenJob() *Stream {
	c.s.t.Helper()
	job := NewStream(stream.Job)
	c.Do(job, "open-job", OpeningJob)
	c.Do(job, "attach-alignment", Alignment)
	return job
}

// OpenCalibration opens a calibration of the front camera.
func (c *Client) OpenCalibration(job *Stream) *Stream {
	c.s.t.Helper()
	cal := NewStream(stream.Calibration)
	c.Do(cal, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, job.ID))
	return cal
}

// Request answers the gates that are due before a specialist is asked for, and asks for one.
func (c *Client) Request(cal *Stream) {
	c.s.t.Helper()
	view := Read[struct {
		State struct {
			Gates []struct {
				Gate string
				By   string
			}
		}
	}](c, c.Get(cal.Path()))
	n := 0
	for _, g := range view.State.Gates {
		if g.By == "request" {
			c.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"}`, g.Gate))
			n++
		}
	}
	require.NotZero(c.s.t, n)
	c.Do(cal, "request", `{}`)
}
