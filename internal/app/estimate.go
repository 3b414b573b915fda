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
	"readback/internal/fault"
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
		got, err = a.expect(ctx, cal, q, cal.Shop())
	}
	if err != nil {
		a.log.WarnContext(ctx, "no estimate of the wait", slog.Any("cause", err))
	}
	if err != nil || got.Estimate == nil {
		return "", nil
	}
	return "estimate", got.Estimate
}

// Outlook is how a request stands now; before guidance was asked for, how it would. The shop sees what all its desks have, a
// desk only what it has itself.
func (a *App) Outlook(ctx context.Context, cal *calibration.State, asking stream.ID) (httpapi.Outlook, error) {
	q := cal.Queue()
	if q == nil {
		var err error
		if q, err = cal.Asking(time.Now().UTC(), json.RawMessage(`{}`)); err != nil {
			return httpapi.Outlook{}, err
		}
	}
	return a.expect(ctx, cal, q, asking)
}

// line is what goes before one request, and who could take it.
type line struct {
	cal     stream.ID
	request dispatch.Request
	at      dispatch.Situation
	waits   []wait
	staff   []dispatch.Specialist // of all the desks
	opening map[stream.ID]dispatch.Opening
	rivals  map[stream.ID]dispatch.Waiting // waiting requests that people on duty who may take this one may take too
	queue   map[stream.ID]dispatch.Waiting // the same with everybody, on duty or not
}

// expect looks at the desks that the shop has an agreement with, as this node knows them; a desk that asks is told of itself
// alone. It gives nothing where the shop is not known.
func (a *App) expect(ctx context.Context, cal *calibration.State, q *calibration.Queue, asking stream.ID) (httpapi.Outlook, error) {
	shop, err := a.registerOf(ctx, cal.Shop())
	if err != nil || shop == nil {
		return httpapi.Outlook{}, err
	}
	now := time.Now().UTC()
	l := &line{
		cal: cal.ID(), at: dispatch.Situation{Now: now}, opening: map[stream.ID]dispatch.Opening{},
		request: dispatch.Request{Shop: cal.Shop(), Sensor: cal.Sensor(), Languages: q.Languages, Declined: q.DeclinedBy()},
		rivals:  map[stream.ID]dispatch.Waiting{}, queue: map[stream.ID]dispatch.Waiting{},
	}
	if q.With != nil {
		if l.request.LeadHeld, err = a.holderOf(ctx, *q.With); err != nil {
			return httpapi.Outlook{}, err
		}
	}
	for _, agreed := range shop.Agreements() {
		if agreed.Ended || asking != cal.Shop() && asking != agreed.Desk {
			continue
		}
		l.request.Agreed = append(l.request.Agreed, agreed.Desk)
	}
	for _, id := range l.request.Agreed {
		desk, err := a.registerOf(ctx, id)
		if err == nil && desk != nil {
			err = a.lookAt(ctx, desk, l)
		}
		if err != nil {
			return httpapi.Outlook{}, err
		}
	}
	self := q.Waiting(cal.ID())
	l.at.Ahead = placeOf(self, l.rivals, now).Position - 1
	l.at.Outcomes = newest(l.waits)
	place := placeOf(self, l.queue, now)
	said := told(dispatch.Expect(l.at))
	if said.Nobody {
		said.Why = dispatch.Nobody(l.staff, l.request, now, l.opening)
	}
	return httpapi.Outlook{Place: &place, Estimate: said, Desks: len(l.request.Agreed)}, nil
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
func (a *App) lookAt(ctx context.Context, desk *register.State, l *line) error {
	id := desk.ID()
	claimed, err := a.queues.InHand(ctx, id)
	if err != nil {
		return err
	}
	inHand, holders, err := httpapi.Hands(claimed)
	if err != nil {
		return err
	}
	var opening dispatch.Opening // zero: not known
	if hours, zone, known := desk.Hours(); known {
		opening = dispatch.Opening{Hours: hours, Zone: zone}
		l.opening[id] = opening
	}
	past, err := a.pasts.of(ctx, a.db, id, opening)
	if err != nil {
		return err
	}
	l.waits, l.at.Durations = append(l.waits, past.waits...), append(l.at.Durations, past.durations...)

	var there, able []dispatch.Specialist // who may take it: those on duty, and all
	for _, member := range httpapi.StaffOf(desk, inHand) {
		onDuty, hands := member.OnDuty, member.InHand
		member.InHand = 0 // who has all hands full takes it later
		l.staff = append(l.staff, member)
		member.OnDuty = true
		if len(dispatch.Eligible(member, l.request, dispatch.Day(l.at.Now))) > 0 {
			continue
		}
		able = append(able, member)
		if onDuty {
			there = append(there, member)
			l.at.OnDuty = append(l.at.OnDuty, hands)
		}
	}
	if len(able) == 0 {
		return nil // neither its hours nor its queue are of any use to this request
	}
	if opening.Zone != nil {
		if opens, ok := opening.Hours.Next(l.at.Now, opening.Zone); ok && (l.at.Opens.IsZero() || opens.Before(l.at.Opens)) {
			l.at.Opens = opens
		}
		if len(there) > 0 {
			l.at.Desks = append(l.at.Desks, opening)
		}
	}
	return a.addWaiting(ctx, id, l, holders, there, able)
}

// addWaiting adds the other requests that wait for the desk, as far as the same people may take them.
func (a *App) addWaiting(ctx context.Context, desk stream.ID, l *line, holders map[stream.ID]stream.Person, there, able []dispatch.Specialist) error {
	waiting, err := a.queues.Waiting(ctx, desk)
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

// holderOf is who has a calibration in hand; zero: nobody.
func (a *App) holderOf(ctx context.Context, cal stream.ID) (stream.Person, error) {
	head, err := a.db.Head(ctx, stream.Ref{Kind: stream.Calibration, ID: cal})
	if fault.Is(err, fault.NotHere) {
		return stream.Person{}, nil // the rules refuse what is asked for with it
	}
	all, err := rows([]postgres.Head{head}, err)
	if err != nil {
		return stream.Person{}, err
	}
	q, _, err := httpapi.QueueOf(all[0])
	if err != nil || q == nil || q.Over != nil {
		return stream.Person{}, err
	}
	holder, _ := q.Holder()
	return holder, nil
}

func (a *App) registerOf(ctx context.Context, org stream.ID) (*register.State, error) {
	state, err := a.hub.Peek(ctx, stream.Ref{Kind: stream.Register, ID: org})
	if err != nil || state == nil {
		return nil, err
	}
	return state.(*register.State), nil
}
