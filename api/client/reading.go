package client

import (
	"context"
	"encoding/json"
	"net/http"
	"time"
)

// Reading is what a bay's instruments read now: 1 to 16 readings in the form of report-readings. N is the sender's own
// count, by which the value can be named afterwards.
type Reading struct {
	N        uint64           `json:"n"`
	Moved    bool             `json:"moved,omitempty"` // the fixture was moved since the readings that stand
	Readings []map[string]any `json:"readings"`
}

// LiveValue is what readings come to, seen by all who take part. It is stored nowhere.
type LiveValue struct {
	N        uint64          `json:"n"`
	Seq      uint64          `json:"seq"` // of the entry that it rests on
	At       time.Time       `json:"at"`
	Member   string          `json:"member"` // who sent the readings
	Position string          `json:"position"`
	Moved    bool            `json:"moved"`
	Readings json.RawMessage `json:"readings"`
	Verdict  json.RawMessage `json:"verdict"` // as an entry readings-reported has it, moves included
	Gone     bool            `json:"gone"`    // it is out of date, and there is none newer
}

// SendLive shows readings of a calibration. It does not wait for them to arrive: where there is no connection at the moment
// they are dropped and it reports false. A refusal stands in Following.Refused, if the calibration is followed.
func (l *Live) SendLive(calibration Ref, r Reading) bool {
	frame, err := encode(readingMessage{"reading", calibration, r})
	if err != nil {
		return false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.link == nil {
		return false
	}
	return l.link.sayLatest(frame)
}

// mostWaiting is how many frames may wait on a connection before live readings are dropped there.
const mostWaiting = 64

// sayLatest queues a frame unless much waits already.
func (k *link) sayLatest(frame []byte) bool {
	k.mu.Lock()
	full := len(k.queue) >= mostWaiting
	k.mu.Unlock()
	if !full {
		k.say(frame)
	}
	return !full
}

// ShowLive is SendLive over HTTP, for programs without a live connection. It gives the value, or the *Problem: too-many
// means that newer readings were faster, or that they come too often.
func (c *Client) ShowLive(ctx context.Context, calibration string, r Reading) (v LiveValue, err error) {
	err = c.ask(ctx, http.MethodPost, "/v1/calibrations/"+calibration+"/live", r, &v)
	return v, err
}

// Live is the newest live value of a calibration that is followed; false before the first and once the last is gone.
func (f *Following) Live() (LiveValue, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.value, !f.value.At.IsZero() && !f.value.Gone
}

// Refused is why the server last refused readings of this connection's, and their count; nil if it did not.
func (f *Following) Refused() (n uint64, p *Problem) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.refusedN, f.refusedWhy
}

// show takes a live message.
func (f *Following) show(v LiveValue) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.value = v
	f.tell()
}

// refuse takes the refusal of readings.
func (f *Following) refuse(n uint64, p *Problem) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.refusedN, f.refusedWhy = n, p
	f.tell()
}
