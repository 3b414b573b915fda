package httpapi

import (
	"context"
	"encoding/json"
	"fmt"
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

// queued is a request with its place in the desk's queue.
type queued struct {
	Row
	Place place `json:"place"`
}

// place says where a request stands and why, to whom of the desk it is offered, and why not to whoever asks.
type place struct {
	Position int               `json:"position"`
	Class    dispatch.Class    `json:"class"`
	Due      time.Time         `json:"due"`
	Reasons  []dispatch.Reason `json:"reasons"`
	Offered  []stream.ID       `json:"offered_to"`
	NotYou   []dispatch.Reason `json:"not_you"`
}

// queue gives the calibrations that wait for a specialist of the desk, in the order in which they should be taken.
func (s *Server) queue(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	if !access.Allowed(actor.Roles, stream.Agreed, stream.Calibration, access.List) {
		return fault.New(fault.NotYourRole, "The queue is for the people of a desk.")
	}
	limit, err := number(r, "limit", 100, 1, 500)
	if err != nil {
		return err
	}
	rows, err := s.Lists.Waiting(r.Context(), actor.Org)
	if err != nil {
		return err
	}
	waiting := []queued{}
	if len(rows) > 0 {
		if waiting, err = s.placed(r.Context(), actor, rows); err != nil {
			return err
		}
	}
	return answer(w, map[string]any{"waiting": waiting[:min(len(waiting), int(limit))]})
}

// placed puts the rows in order.
func (s *Server) placed(ctx context.Context, actor stream.Actor, rows []Row) ([]queued, error) {
	view, err := s.Hub.View(ctx, actor, stream.Ref{Kind: stream.Register, ID: actor.Org})
	if err != nil {
		return nil, err
	}
	claimed, err := s.Lists.InHand(ctx, actor.Org)
	if err != nil {
		return nil, err
	}
	inHand, holders, err := Hands(claimed)
	if err != nil {
		return nil, err
	}
	staff := StaffOf(view.State.(*register.State), inHand)

	byID, waits, requests := map[stream.ID]Row{}, []dispatch.Waiting{}, map[stream.ID]dispatch.Request{}
	for _, row := range rows {
		byID[row.Stream.ID] = row
	}
	for _, row := range rows {
		q, sensor, err := QueueOf(row)
		if err != nil {
			return nil, err
		}
		if q == nil {
			continue
		}
		one := q.Waiting(row.Stream.ID)
		ask := dispatch.Request{Shop: row.Org, Sensor: sensor, Languages: q.Languages, Agreed: []stream.ID{actor.Org}, Declined: q.DeclinedBy()}
		if q.With != nil {
			ask.LeadHeld = holders[*q.With]
			_, ask.LeadWaits = byID[*q.With]
		}
		waits, requests[row.Stream.ID] = append(waits, one), ask
	}
	out := make([]queued, 0, len(waits))
	for _, p := range dispatch.Order(waits, view.Now) {
		at := place{Position: p.Position, Class: p.Class, Due: p.Due, Reasons: p.Reasons, Offered: []stream.ID{}, NotYou: []dispatch.Reason{}}
		for _, member := range staff {
			why := dispatch.Eligible(member, requests[p.Calibration], dispatch.Day(view.Now))
			if len(why) == 0 {
				at.Offered = append(at.Offered, member.Member)
			} else if member.Member == actor.Member {
				at.NotYou = why
			}
		}
		out = append(out, queued{byID[p.Calibration], at})
	}
	return out, nil
}

// Hands counts what each member of a desk has in hand, and says who holds what.
func Hands(claimed []Row) (inHand map[stream.ID]int, holders map[stream.ID]stream.Person, err error) {
	inHand, holders = map[stream.ID]int{}, map[stream.ID]stream.Person{}
	for _, row := range claimed {
		q, _, err := QueueOf(row)
		if err != nil {
			return nil, nil, err
		}
		if q == nil {
			continue
		}
		if holder, held := q.Holder(); held {
			inHand[holder.Member]++
			holders[row.Stream.ID] = holder
		}
	}
	return inHand, holders, nil
}

// QueueOf reads what a row says of the request.
func QueueOf(row Row) (*calibration.Queue, string, error) {
	raw, isRaw := row.Summary.(json.RawMessage)
	var err error
	if !isRaw {
		raw, err = json.Marshal(row.Summary)
	}
	var sum struct {
		Sensor string             `json:"sensor"`
		Queue  *calibration.Queue `json:"queue"`
	}
	if err == nil {
		err = json.Unmarshal(raw, &sum)
	}
	if err != nil {
		return nil, "", fmt.Errorf("summary of %s: %w", row.Stream, err)
	}
	return sum.Queue, sum.Sensor, nil
}

// StaffOf lists the desk's members as far as taking requests goes.
func StaffOf(desk *register.State, inHand map[stream.ID]int) []dispatch.Specialist {
	var staff []dispatch.Specialist
	for _, m := range desk.Members() {
		duty, _ := desk.Duty(m.ID)
		one := dispatch.Specialist{
			Desk: desk.ID(), Member: m.ID, Active: m.Active, Role: slices.Contains(m.Roles, stream.Specialist), OnDuty: duty.On,
			Languages: m.Languages, Competences: map[string]string{}, InHand: inHand[m.ID],
		}
		for _, c := range m.Competences {
			one.Competences[c.Sensor] = c.Expires
		}
		staff = append(staff, one)
	}
	return staff
}
