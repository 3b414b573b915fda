package client

import (
	"context"
	"encoding/json"
	"strconv"
	"time"
)

// Reason is a reason as a code for programs and in words for people.
type Reason struct {
	Code  string `json:"code"`
	Words string `json:"words"`
}

// Standing is where a request stands in a queue and why.
type Standing struct {
	Position int       `json:"position"` // from 1
	Class    string    `json:"class"`    // held, ready, promised, ordinary or advice
	Due      time.Time `json:"due"`      // what the order goes by
	Reasons  []Reason  `json:"reasons"`
}

// Waiting is a request in a desk's queue.
type Waiting struct {
	Stream   Ref             `json:"stream"`
	Org      string          `json:"org"` // the shop
	Job      string          `json:"job"`
	Seq      uint64          `json:"seq"`
	QueuedAt time.Time       `json:"queued_at"`
	Summary  json.RawMessage `json:"summary"` // as rows of lists have it
	Place    struct {
		Standing
		OfferedTo []string `json:"offered_to"` // members of the desk
		NotYou    []Reason `json:"not_you"`    // none: it is yours to claim
	} `json:"place"`
}

// Queue gives at most limit requests that the desk may claim, in the order to take them.
func (c *Client) Queue(ctx context.Context, limit int) ([]Waiting, error) {
	var answer struct{ Waiting []Waiting }
	err := c.Get(ctx, "/v1/queue?limit="+strconv.Itoa(limit), &answer)
	return answer.Waiting, err
}

// Estimate is how long a wait will be: from LowS to HighS seconds in four waits of five. With Nobody on duty who may take the
// request there are no figures, and Opens is the next opening, if it is known.
type Estimate struct {
	Nobody  bool       `json:"nobody"`
	Opens   *time.Time `json:"opens"`
	LowS    int64      `json:"low_s"`
	MiddleS int64      `json:"middle_s"`
	HighS   int64      `json:"high_s"`
	OnDuty  int        `json:"on_duty"` // specialists who may take it
	Ahead   int        `json:"ahead"`   // requests before it
	From    int        `json:"from"`    // earlier waits that the range comes from
}

// Place is how a calibration's request stands: Place and Estimate as of now while it waits, Estimate also before guidance is
// asked for. Request holds what was said then and what happened.
type Place struct {
	Phase   string `json:"phase"`
	Request *struct {
		At        time.Time  `json:"at"`
		Estimate  *Estimate  `json:"estimate"`
		Claimed   *time.Time `json:"claimed"`
		WaitedS   *int64     `json:"waited_s"`
		RangeHeld *bool      `json:"range_held"`
	} `json:"request"`
	Place    *Standing `json:"place"`
	Estimate *Estimate `json:"estimate"`
	Desks    *int      `json:"desks"` // with which the shop has an agreement, told to the shop beside an estimate; with 0 nobody sees the request
}

// Place gives the place of a calibration's request.
func (c *Client) Place(ctx context.Context, calibration string) (p Place, err error) {
	return p, c.Get(ctx, "/v1/calibrations/"+calibration+"/place", &p)
}

// QueueRecord is how requests fared at a desk in the last Days: how many waits were in the range that was stated for them.
type QueueRecord struct {
	Days      int      `json:"days"`
	Claimed   int      `json:"claimed"`
	Nobody    int      `json:"nobody"` // asked for when nobody was on duty
	Stated    int      `json:"stated"`
	Held      int      `json:"held"`
	Sooner    int      `json:"sooner"`
	Later     int      `json:"later"`
	HeldShare *float64 `json:"held_share"`
	Aim       float64  `json:"aim"`
	MedianS   *int64   `json:"median_wait_s"`
	LongestS  *int64   `json:"longest_wait_s"`
}

// QueueRecord gives the record of one's own desk.
func (c *Client) QueueRecord(ctx context.Context) (r QueueRecord, err error) {
	return r, c.Get(ctx, "/v1/queue/record", &r)
}

// SetDuty puts the signed-in specialist on or off duty. desk is the desk's register, of which base is the last entry seen.
func (c *Client) SetDuty(ctx context.Context, desk Ref, base uint64, member string, on bool) (Receipt, error) {
	turn := "go-off-duty"
	if on {
		turn = "go-on-duty"
	}
	return c.Command(ctx, desk, Command{Base: base, Type: turn, Data: map[string]string{"member": member}})
}

// OfferHandover offers one's side of a calibration to another of one's own organisation; points are what is open, in one's own
// words, or empty. Nothing changes hands before somebody takes it.
func (c *Client) OfferHandover(ctx context.Context, calibration Ref, base uint64, points string) (Receipt, error) {
	data := map[string]string{}
	if points != "" {
		data["points"] = points
	}
	return c.Command(ctx, calibration, Command{Base: base, Type: "offer-handover", Data: data})
}

// Restated is what whoever takes a hand-over says of its card, having read it.
type Restated struct {
	Position string `json:"position,omitempty"`
	Stage    string `json:"stage"`
	Attempt  int    `json:"attempt"` // 0: none is open
	Frozen   bool   `json:"frozen"`
}

// TakeHandover takes a hand-over that is offered.
func (c *Client) TakeHandover(ctx context.Context, calibration Ref, base uint64, said Restated) (Receipt, error) {
	return c.Command(ctx, calibration, Command{Base: base, Type: "take-handover", Data: said})
}

// TakeOver takes a calibration over from a colleague who is off duty, retired or not heard of.
func (c *Client) TakeOver(ctx context.Context, calibration Ref, base uint64, reason string) (Receipt, error) {
	return c.Command(ctx, calibration, Command{Base: base, Type: "take-over", Data: map[string]string{"reason": reason}})
}
