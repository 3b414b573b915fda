package app

import (
	"context"
	"encoding/json"
	"log/slog"
	"maps"
	"slices"
	"time"

	"readback/internal/calibration"
	"readback/internal/dispatch"
	"readback/internal/httpapi"
	"readback/internal/postgres"
	"readback/internal/register"
	"readback/internal/stream"
)

// estimate is what the server says of the wait when guidance is asked for. A look that fails says nothing: the request goes
// on without.
func (a *App) estimate(ctx context.Context, state stream.State, data json.RawMessage) (string, any) {
	cal := state.(*calibration.State)
	q, err := cal.Asking(time.Now().UTC(), data)
	var got httpapi.Outlook
	if err == nil {
		got, err = a.expect(ctx, cal, q)
	}
	if err != nil {
		a.log.WarnContext(ctx, "no estimate of the wait", slog.Any("cause", err))
	}
	if err != nil || got.Estimate == nil {
		return "", nil
	}
	return "estimate", got.Estimate
}

// Outlook is how a request stands now; before guidance was asked for, how it would.
func (a *App) Outlook(ctx context.Context, cal *calibration.State) (httpapi.Outlook, error) {
	q := cal.Queue()
	if q == nil {
		var err error
		if q, err = cal.Asking(time.Now().UTC(), json.RawMessage(`{}`)); err != nil {
			return httpapi.Outlook{}, err
		}
	}
	return a.expect(ctx, cal, q)
}

// line is what goes before one request, and who could take it.
type line struct {
	cal     stream.ID
	request dispatch.Request
	at      dispatch.Situation
	rivals  map[stream.ID]dispatch.Waiting // waiting requests that people on duty who may take this one may take too
	queue   map[stream.ID]dispatch.Waiting // the same with everybody, on duty or not
}

// expect looks at the desks that the shop has an agreement with, as this node knows them. It gives nothing where the shop is
// not known.
func (a *App) expect(ctx context.Context, cal *calibration.State, q *calibration.Queue) (httpapi.Outlook, error) {
	shop, err := a.registerOf(ctx, cal.Shop())
	if err != nil || shop == nil {
		return httpapi.Outlook{}, err
	}
	now := time.Now().UTC()
	l := &line{
		cal: cal.ID(), at: dispatch.Situation{Now: now},
		request: dispatch.Request{Shop: cal.Shop(), Sensor: cal.Sensor(), Languages: q.Languages, Declined: q.DeclinedBy()},
		rivals:  map[stream.ID]dispatch.Waiting{}, queue: map[stream.ID]dispatch.Waiting{},
	}
	desks := 0
	for _, agreed := range shop.Agreements() {
		if agreed.Ended {
			continue
		}
		desks++
		desk, err := a.registerOf(ctx, agreed.Desk)
		if err == nil && desk != nil {
			err = a.lookAt(ctx, desk, l, q.With)
		}
		if err != nil {
			return httpapi.Outlook{}, err
		}
	}
	self := q.Waiting(cal.ID())
	l.at.Ahead = placeOf(self, l.rivals, now).Position - 1
	place := placeOf(self, l.queue, now)
	return httpapi.Outlook{Place: &place, Estimate: told(dispatch.Expect(l.at)), Desks: desks}, nil
}

// placeOf is where a request stands among others.
func placeOf(self dispatch.Waiting, others map[stream.ID]dispatch.Waiting, now time.Time) dispatch.Place {
	order := dispatch.Order(append(slices.Collect(maps.Values(others)), self), now)
	return order[slices.IndexFunc(order, func(p dispatch.Place) bool { return p.Calibration == self.Calibration })]
}

func told(e dispatch.Estimate) *calibration.Estimate {
	told := &calibration.Estimate{
		Nobody: e.Nobody, LowS: int64(e.Low / time.Second), MiddleS: int64(e.Middle / time.Second), HighS: int64(e.High / time.Second),
		ModelS: int64(e.Model / time.Second), OnDuty: e.OnDuty, Ahead: e.Ahead, From: e.From,
	}
	if !e.Opens.IsZero() {
		opens := e.Opens.UTC()
		told.Opens = &opens
	}
	return told
}

// lookAt adds what one desk has to it: who is on duty, what waits, what earlier waits and durations were.
func (a *App) lookAt(ctx context.Context, desk *register.State, l *line, lead *stream.ID) error {
	id := desk.ID()
	claimed, err := rows(a.db.For(id).Heads(ctx, postgres.Filter{Desk: &id, Kind: stream.Calibration, Limit: 500}))
	if err != nil {
		return err
	}
	hours, zone, known := desk.Hours()
	inHand, holders := map[stream.ID]int{}, map[stream.ID]stream.Person{}
	for _, row := range claimed {
		q, _, err := httpapi.QueueOf(row)
		if err != nil {
			return err
		}
		if q == nil {
			continue
		}
		switch holder, held := q.Holder(); {
		case !held:
			continue
		case q.Over == nil:
			inHand[holder.Member]++
			holders[row.Stream.ID] = holder
		default:
			l.at.Durations = append(l.at.Durations, q.Over.Sub(*q.Since))
		}
		if q.Estimate != nil && !q.Estimate.Nobody && q.Claimed != nil {
			waited := q.Claimed.Sub(q.At)
			if known {
				waited = hours.Between(q.At, *q.Claimed, zone)
			}
			l.at.Outcomes = append(l.at.Outcomes, dispatch.Outcome{Middle: time.Duration(q.Estimate.ModelS) * time.Second, Waited: waited})
		}
	}
	l.request.Agreed, l.request.LeadHeld = []stream.ID{id}, stream.Person{}
	if lead != nil {
		l.request.LeadHeld = holders[*lead]
	}
	var there, able []dispatch.Specialist // who may take it: those on duty, and all
	for _, member := range httpapi.StaffOf(desk, inHand) {
		onDuty := member.OnDuty
		member.OnDuty, member.InHand = true, 0 // who has all hands full takes it later
		if len(dispatch.Eligible(member, l.request, dispatch.Day(l.at.Now))) > 0 {
			continue
		}
		able = append(able, member)
		if onDuty {
			there = append(there, member)
			l.at.OnDuty = append(l.at.OnDuty, inHand[member.Member])
		}
	}
	if known {
		if opens, ok := hours.Next(l.at.Now, zone); ok && (l.at.Opens.IsZero() || opens.Before(l.at.Opens)) {
			l.at.Opens = opens
		}
		if len(there) > 0 {
			l.at.Hours, l.at.Zone = hours, zone
		}
	}
	if len(able) == 0 {
		return nil
	}
	return a.addWaiting(ctx, id, l, holders, there, able)
}

// addWaiting adds the other requests that wait for the desk, as far as the same people may take them.
func (a *App) addWaiting(ctx context.Context, desk stream.ID, l *line, holders map[stream.ID]stream.Person, there, able []dispatch.Specialist) error {
	waiting, err := rows(a.db.For(desk).Waiting(ctx, postgres.Turn{}, 500))
	if err != nil {
		return err
	}
	for _, row := range waiting {
		q, sensor, err := httpapi.QueueOf(row)
		if err != nil {
			return err
		}
		if q == nil || row.Stream.ID == l.cal {
			continue
		}
		ask := dispatch.Request{Shop: row.Org, Sensor: sensor, Languages: q.Languages, Agreed: []stream.ID{desk}, Declined: q.DeclinedBy()}
		if q.With != nil {
			ask.LeadHeld = holders[*q.With]
		}
		takes := func(m dispatch.Specialist) bool { return len(dispatch.Eligible(m, ask, dispatch.Day(l.at.Now))) == 0 }
		if slices.ContainsFunc(there, takes) {
			l.rivals[row.Stream.ID] = q.Waiting(row.Stream.ID)
		}
		if slices.ContainsFunc(able, takes) {
			l.queue[row.Stream.ID] = q.Waiting(row.Stream.ID)
		}
	}
	return nil
}

func (a *App) registerOf(ctx context.Context, org stream.ID) (*register.State, error) {
	state, err := a.hub.Peek(ctx, stream.Ref{Kind: stream.Register, ID: org})
	if err != nil || state == nil {
		return nil, err
	}
	return state.(*register.State), nil
}
