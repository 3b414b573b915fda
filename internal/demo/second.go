package demo

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"readback/api/client"
)

// second is the story of a car that is described as it goes, of two specialists of one desk, and of a routine that does
// not complete. Another car waits in the queue all the while.
type second struct {
	*story
	relief   *person
	other    client.Ref // the calibration of the other car
	otherJob client.Ref
	asked    []askedGate // gates of the car's calibration
}

// tellSecond plays the second story and proves its trail, with the bundle in dir.
func (s *story) tellSecond(ctx context.Context, dir string) (Outcome, error) {
	t := &second{
		story: s, relief: s.people["relief"],
		other: client.Ref{Kind: "calibration", ID: newID()}, otherJob: client.Ref{Kind: "job", ID: newID()},
	}
	s.plain("Everything here is invented: garage, desk, cars and people. Seed %d.", s.seed)
	for _, chapter := range []func(context.Context) error{
		t.otherCar, t.arrive, t.scan, t.prepare, t.queue, t.claim, t.firstLeg, t.handOver, t.secondLeg, t.result, t.notice, t.leave,
	} {
		if err := chapter(ctx); err != nil {
			return Outcome{}, fmt.Errorf("%w (server: %s)", err, s.server.said())
		}
	}
	err := t.proveSecond(ctx, dir)
	for _, who := range s.people {
		who.leave(s.cal, s.job, t.other, t.otherJob)
	}
	return s.outcome(), err
}

func affected() map[string]any {
	return map[string]any{"affected": []string{"front-camera"}, "not_affected": []string{}, "none_fitted": false}
}

// arrive opens the job with a plate and nothing else. What is missing is asked for when it is needed.
func (s *second) arrive(ctx context.Context) (err error) {
	if _, err := s.tech.open(ctx, s.job, "open-job", map[string]any{"plate": "DEMO 2"}); err != nil {
		return err
	}
	if s.asked, err = s.openBy(ctx, s.cal, s.job); err != nil {
		return err
	}
	if err := s.answer(ctx, s.cal, s.asked, 12_700); err != nil {
		return err
	}
	s.say("bay", "the next car: job opened with its plate alone, DEMO 2; %d gates answered", len(s.asked))
	why, err := s.refused(ctx, s.tech, s.cal, "request", nil)
	if err != nil {
		return err
	}
	s.say("", "asks for guidance; not yet: %s", why)
	if _, err := s.do(ctx, s.tech, s.job, "describe-work", map[string]any{
		"causes": []string{"bumper", "alignment"}, "sensors": affected(), "customer_told": true,
	}); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.tech, s.job, "describe-vehicle", map[string]any{
		"vin": "ZZZDEM0B0DR000025", "mileage_km": 91_350, "steering": "right", "dimensions": s.world.Dimensions,
	}); err != nil {
		return err
	}
	thrustUdeg, err := s.align(ctx)
	if err != nil {
		return err
	}
	s.say("bay", "describes it now: work, VIN, km, dimensions; thrust angle %s left", degrees(thrustUdeg))
	return nil
}

// refused gives a command that must be refused as not met, and the reason in the server's words.
func (s *second) refused(ctx context.Context, who *person, ref client.Ref, typ string, data map[string]any) (string, error) {
	_, err := s.do(ctx, who, ref, typ, data)
	var problem *client.Problem
	if !errors.As(err, &problem) || problem.Slug() != "not-met" {
		return "", fmt.Errorf("%s was to be refused as not met: %w", typ, err)
	}
	return problem.Detail, nil
}

// prepare issues the sheet and asks for guidance, with the time for which the car is promised. By then somebody has come.
func (s *second) prepare(ctx context.Context) error {
	if err := s.duty(ctx, s.spec, true); err != nil {
		return err
	}
	s.say("desk", "%s goes on duty", first(s.spec.name))
	if err := s.sheet(ctx); err != nil {
		return err
	}
	promised := time.Now().UTC().Truncate(time.Minute).Add(75 * time.Minute)
	if _, err := s.do(ctx, s.tech, s.cal, "request", map[string]any{"promised": promised.Format(time.RFC3339)}); err != nil {
		return err
	}
	e, err := s.estimate(ctx, s.cal)
	if err != nil {
		return err
	}
	minutes := func(seconds int64) int64 { return (seconds + 59) / 60 }
	s.say("bay", "guidance requested, car promised for %s UTC. Estimate: %d to %d min in", promised.Format("15:04"), e.LowS/60, minutes(e.HighS))
	s.say("", "four waits of five; %d on duty, %d ahead", e.OnDuty, e.Ahead)
	return nil
}

// first is a person's first name.
func first(name string) string { return strings.Fields(name)[0] }

// claim brings the specialist, who waives the caution of the battery's voltage.
func (s *second) claim(ctx context.Context) error {
	if err := s.join(ctx, s.spec); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "claim", nil); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "adopt-sheet", map[string]any{"sheet": 1}); err != nil {
		return err
	}
	s.say("desk", "%s claims DEMO 2, adopts the sheet", first(s.spec.name))
	if err := s.instruct(ctx, map[string]any{"step": "fit-target"}, false); err != nil {
		return err
	}
	return s.placeAt(ctx, s.world.model.positions[0])
}

// join lets somebody follow the calibration and see it up to now.
func (s *second) join(ctx context.Context, who *person) error {
	if err := who.follow(s.cal); err != nil {
		return err
	}
	_, err := who.see(ctx, s.cal, s.tech.follows[s.cal].seen)
	return err
}

// firstLeg is held back by the battery until the specialist has waived the caution, and then completes.
func (s *second) firstLeg(ctx context.Context) error {
	if err := s.hold(ctx, false); err != nil {
		return err
	}
	why, err := s.refused(ctx, s.tech, s.cal, "bay-clear", nil)
	if err != nil {
		return err
	}
	s.say("bay", "12.7 V entered; \"bay clear\" is held back: %s", why)
	reason := "It holds without a dip; the limit is 12.5 V."
	if _, err := s.do(ctx, s.spec, s.cal, "waive", map[string]any{"what": "gate", "gate": "battery-voltage", "reason": reason}); err != nil {
		return err
	}
	s.say("desk", "%s waives it, on record: %q", first(s.spec.name), reason)
	l, err := s.routine(ctx, map[string]any{"outcome": "completed"})
	if err != nil {
		return err
	}
	s.say("both", "frozen, closing held; \"bay clear\", \"go\": attempt %d leg %d completed", l.Attempt, l.Leg)
	if err := s.moveTo(ctx, s.world.model.positions[1], false); err != nil {
		return err
	}
	return s.hold(ctx, false)
}

// secondLeg is held back until what was frozen has been checked again, and then does not complete.
func (s *second) secondLeg(ctx context.Context) error {
	if _, err := s.do(ctx, s.spec, s.cal, "adopt-sheet", map[string]any{"sheet": 1}); err != nil {
		return err
	}
	why, err := s.refused(ctx, s.spec, s.cal, "go", nil)
	if err != nil {
		return err
	}
	s.say("desk", "adopts the sheet; \"go\" is held back: %s", why)
	if err := s.close(ctx); err != nil {
		return err
	}
	s.say("bay", "closing readings again: nothing has moved")
	values := []map[string]any{{"name": "aim", "value": "-2.31", "unit": "deg"}, {"name": "state", "value": "LEARN ABORTED"}}
	l, err := s.routine(ctx, map[string]any{"outcome": "not-completed", "values": values})
	if err != nil {
		return err
	}
	s.say("both", "\"bay clear\", \"go\": attempt %d leg %d NOT completed; the routine gave", l.Attempt, l.Leg)
	s.say("", "aim %s %s, state %q", values[0]["value"], values[0]["unit"], values[1]["value"])
	return nil
}

// leave clears the bay: the other car is fetched, the desk goes home.
func (s *second) leave(ctx context.Context) error {
	if _, err := s.do(ctx, s.tech, s.other, "declare", map[string]any{"outcome": "withdrawn", "reason": "The customer needs the car."}); err != nil {
		return err
	}
	s.say("bay", "DEMO 3 is fetched by its customer: withdrawn")
	return s.duty(ctx, s.relief, false)
}

// proveSecond fetches the bundle and lets verify speak about it.
func (s *second) proveSecond(ctx context.Context, dir string) error {
	if err := s.fetch(ctx, dir); err != nil {
		return err
	}
	s.plain("")
	if err := s.verify(ctx, dir, "bundle.zip", true); err != nil {
		return err
	}
	s.plain("What is proven: what was done, by whom and when. Not that the camera works.")
	return nil
}
