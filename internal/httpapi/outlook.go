package httpapi

import (
	"context"
	"net/http"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/calibration"
	"readback/internal/dispatch"
	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
)

// Outlook is where a request stands among those that the same people could take, and how long it will wait from now on.
// Of the others it says only how many go before.
type Outlook struct {
	Place    *dispatch.Place
	Estimate *calibration.Estimate
	Desks    int // with which the shop has an agreement in force: without one nobody will ever come
}

// Asker gives the outlook of a calibration as one organisation may see it: its shop, or a desk of an agreement.
type Asker func(ctx context.Context, cal *calibration.State, asking stream.ID) (Outlook, error)

// standing is a place as the shop is told it.
type standing struct {
	Position int               `json:"position"`
	Class    dispatch.Class    `json:"class"`
	Due      time.Time         `json:"due"`
	Reasons  []dispatch.Reason `json:"reasons"`
}

// place gives a calibration's place in the queue and the wait as it looks now, while it waits; before that only the wait that
// would be; afterwards what was said when it was asked for and what then happened.
func (s *Server) place(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	got, err := s.Hub.View(r.Context(), actor, stream.Ref{Kind: stream.Calibration, ID: id})
	if err != nil {
		return err
	}
	cal := got.State.(*calibration.State)
	out := map[string]any{"seq": got.Seq, "phase": cal.Phase()}
	if request, asked := cal.Request(); asked {
		out["request"] = request
	}
	turn, err := s.turn(r.Context(), cal, got)
	if err != nil {
		return err
	}
	open := cal.Phase() == calibration.Preparing || cal.Phase() == calibration.Waiting
	open = open && turn.Outcome == "" // of a withdrawn job: nobody is waited for
	if now := got.Relation == stream.Own || got.Relation == stream.Agreed; now && open && s.Outlook != nil {
		look, err := s.Outlook(r.Context(), cal, actor.Org)
		if err != nil {
			return err
		}
		if p := look.Place; p != nil && cal.Phase() == calibration.Waiting {
			out["place"] = standing{p.Position, p.Class, p.Due, p.Reasons}
		}
		if look.Estimate != nil {
			out["estimate"] = look.Estimate
			if got.Relation == stream.Own { // with whom else a shop works is nothing for a desk
				out["desks"] = look.Desks
			}
		}
	}
	if got.Relation == stream.Own {
		if out["telephones"], err = s.telephones(r.Context(), cal); err != nil {
			return err
		}
	}
	return answer(w, out)
}

// telephone is the number to call a desk by.
type telephone struct {
	Desk  stream.ID `json:"desk"`
	Name  string    `json:"name"`
	Phone string    `json:"phone"`
}

// telephones are the numbers that the shop can call when the line is gone: of the desk that has claimed the calibration, before
// that of those it has an agreement with. A desk without a number is left out.
func (s *Server) telephones(ctx context.Context, cal *calibration.State) ([]telephone, error) {
	list := []telephone{}
	claim, claimed := cal.Claim()
	err := s.eachBook(ctx, cal.Shop(), func(book *register.State) error {
		org, _ := book.Organisation()
		if book.ID() != cal.Shop() && org.Phone != "" && (!claimed || claim.Desk == book.ID()) {
			list = append(list, telephone{book.ID(), org.Name, org.Phone})
		}
		return nil
	})
	return list, err
}

// recordDays is how far a desk's record goes back.
const recordDays = 30

// record is how a desk's requests of the last days fared, by when they were first claimed. Counted are calibrations whose
// claim is the desk's, or was when their outcome came to stand.
type record struct {
	Days      int      `json:"days"`
	Claimed   int      `json:"claimed"`              // requests first claimed in these days
	Nobody    int      `json:"nobody"`               // of these, asked for when nobody who might take it was on duty
	Stated    int      `json:"stated"`               // of these, for how many a range was stated
	Held      int      `json:"held"`                 // of those, in how many the real wait was in the range
	Sooner    int      `json:"sooner"`               // … was shorter
	Later     int      `json:"later"`                // … was longer
	HeldShare *float64 `json:"held_share,omitempty"` // held of stated; absent without any
	Aim       float64  `json:"aim"`                  // what that should be
	MedianS   *int64   `json:"median_wait_s,omitempty"`
	LongestS  *int64   `json:"longest_wait_s,omitempty"`

	waits []int64
}

func (c *record) add(q *calibration.Queue) {
	c.Claimed++
	c.waits = append(c.waits, *q.WaitedS)
	switch {
	case q.Estimate == nil:
	case q.Estimate.Nobody:
		c.Nobody++
	default:
		c.Stated++
		switch {
		case *q.WaitedS < q.Estimate.LowS:
			c.Sooner++
		case *q.WaitedS > q.Estimate.HighS:
			c.Later++
		default:
			c.Held++
		}
	}
}

// close works out what follows from all.
func (c *record) close() {
	if c.Stated > 0 {
		share := float64(c.Held) / float64(c.Stated)
		c.HeldShare = &share
	}
	if n := len(c.waits); n > 0 {
		slices.Sort(c.waits)
		c.MedianS, c.LongestS = &c.waits[(n-1)/2], &c.waits[n-1]
	}
}

// How much of a desk's past is read: 10,000 calibrations, the one opened last first.
const (
	recordPage  = 500
	recordPages = 20
)

// queueRecord gives a desk's record.
func (s *Server) queueRecord(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if !access.Allowed(actor.Roles, stream.Agreed, stream.Calibration, access.List) {
		return fault.New(fault.NotYourRole, "The record of waits is for the people of a desk.")
	}
	c, err := s.recordOf(r.Context(), actor.Org, time.Now().AddDate(0, 0, -recordDays))
	if err != nil {
		return err
	}
	return answer(w, c)
}

func (s *Server) recordOf(ctx context.Context, desk stream.ID, since time.Time) (*record, error) {
	c := &record{Days: recordDays, Aim: dispatch.Chance}
	var before *stream.ID
	for range recordPages {
		rows, err := s.Lists.OfDesk(ctx, desk, Page{Before: before, Limit: recordPage})
		if err != nil {
			return nil, err
		}
		for _, row := range rows {
			q, _, err := QueueOf(row)
			if err != nil {
				return nil, err
			}
			if q != nil && q.Claimed != nil && q.WaitedS != nil && !q.Claimed.Before(since) {
				c.add(q)
			}
		}
		if len(rows) < recordPage {
			break
		}
		before = &rows[len(rows)-1].Stream.ID
	}
	c.close()
	return c, nil
}
