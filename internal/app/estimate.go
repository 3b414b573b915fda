package app

import (
	"context"
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

// estimate is what the server says of the wait when guidance is asked for. It looks at the desks that the shop has an
// agreement with, as this node knows them. A look that fails says nothing: the request goes on without.
func (a *App) estimate(ctx context.Context, state stream.State) (string, any) {
	got, err := a.expect(ctx, state.(*calibration.State))
	if err != nil {
		a.log.WarnContext(ctx, "no estimate of the wait", slog.Any("cause", err))
	}
	if err != nil || got == nil {
		return "", nil
	}
	return "estimate", got
}

func (a *App) expect(ctx context.Context, cal *calibration.State) (*calibration.Estimate, error) {
	shop, err := a.registerOf(ctx, cal.Shop())
	if err != nil || shop == nil {
		return nil, err
	}
	now := time.Now().UTC()
	s := dispatch.Situation{Now: now}
	request := dispatch.Request{Shop: cal.Shop(), Sensor: cal.Sensor()}
	others := map[stream.ID]dispatch.Waiting{}
	for _, agreed := range shop.Agreements() {
		if agreed.Ended {
			continue
		}
		desk, err := a.registerOf(ctx, agreed.Desk)
		if err != nil || desk == nil {
			return nil, err
		}
		request.Agreed = []stream.ID{agreed.Desk}
		if err := a.situation(ctx, desk, request, &s, others); err != nil {
			return nil, err
		}
	}
	// The promise is not known here: it could only bring the request forward.
	self := dispatch.Waiting{Calibration: cal.ID(), Requested: now, Held: len(cal.Attempts()) > 0}
	order := dispatch.Order(append(slices.Collect(maps.Values(others)), self), now)
	s.Ahead = slices.IndexFunc(order, func(p dispatch.Place) bool { return p.Calibration == cal.ID() })
	e := dispatch.Expect(s)
	told := &calibration.Estimate{
		Nobody: e.Nobody, LowS: int64(e.Low / time.Second), MiddleS: int64(e.Middle / time.Second), HighS: int64(e.High / time.Second),
		ModelS: int64(e.Model / time.Second), OnDuty: e.OnDuty, Ahead: e.Ahead, From: e.From,
	}
	if !e.Opens.IsZero() {
		opens := e.Opens.UTC()
		told.Opens = &opens
	}
	return told, nil
}

// situation adds what one desk has to it: who is on duty, what waits, what earlier waits and durations were.
func (a *App) situation(ctx context.Context, desk *register.State, request dispatch.Request, s *dispatch.Situation, others map[stream.ID]dispatch.Waiting) error {
	id := desk.ID()
	claimed, err := rows(a.db.For(id).Heads(ctx, postgres.Filter{Desk: &id, Kind: stream.Calibration, Limit: 500}))
	if err != nil {
		return err
	}
	hours, zone, known := desk.Hours()
	inHand := map[stream.ID]int{}
	for _, row := range claimed {
		q, _, err := httpapi.QueueOf(row)
		switch {
		case err != nil:
			return err
		case q == nil || q.Member == nil:
			continue
		case q.Over == nil:
			inHand[*q.Member]++
		default:
			s.Durations = append(s.Durations, q.Over.Sub(*q.Since))
		}
		if q.Estimate != nil && !q.Estimate.Nobody && q.Claimed != nil {
			waited := q.Claimed.Sub(q.At)
			if known {
				waited = hours.Between(q.At, *q.Claimed, zone)
			}
			s.Outcomes = append(s.Outcomes, dispatch.Outcome{Middle: time.Duration(q.Estimate.ModelS) * time.Second, Waited: waited})
		}
	}
	fits := false
	for _, member := range httpapi.StaffOf(desk, inHand) {
		member.InHand = 0 // who has all hands full takes it later
		if len(dispatch.Eligible(member, request, dispatch.Day(s.Now))) == 0 {
			s.OnDuty, fits = append(s.OnDuty, inHand[member.Member]), true
		}
	}
	if known {
		if opens, ok := hours.Next(s.Now, zone); ok && (s.Opens.IsZero() || opens.Before(s.Opens)) {
			s.Opens = opens
		}
		if fits {
			s.Hours, s.Zone = hours, zone
		}
	}
	if !fits {
		return nil
	}
	waiting, err := rows(a.db.For(id).Waiting(ctx, postgres.Turn{}, 500))
	if err != nil {
		return err
	}
	for _, row := range waiting {
		q, _, err := httpapi.QueueOf(row)
		if err != nil {
			return err
		}
		if q != nil {
			others[row.Stream.ID] = q.Waiting(row.Stream.ID)
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
