package demo

import (
	"context"
	"fmt"
	"strings"

	"readback/api/client"
)

// otherCar waits in the queue before ours is there.
func (s *second) otherCar(ctx context.Context) error {
	if _, err := s.tech.open(ctx, s.otherJob, "open-job", map[string]any{
		"plate": "DEMO 3", "causes": []string{"glass"}, "sensors": affected(),
	}); err != nil {
		return err
	}
	asked, err := s.openBy(ctx, s.other, s.otherJob)
	if err != nil {
		return err
	}
	if err := s.answer(ctx, s.other, asked, 13_600); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.tech, s.other, "request", nil); err != nil {
		return err
	}
	e, err := s.estimate(ctx, s.other)
	if err != nil {
		return err
	}
	if !e.Nobody {
		return fmt.Errorf("somebody is on duty already: %+v", e)
	}
	s.say("bay", "%s asks guidance for a first car, DEMO 3: nobody is on duty, told at once", first(s.tech.name))
	return nil
}

// estimate is what the request's entry says of the wait.
type estimate struct {
	Nobody bool  `json:"nobody"`
	LowS   int64 `json:"low_s"`
	HighS  int64 `json:"high_s"`
	OnDuty int   `json:"on_duty"`
	Ahead  int   `json:"ahead"`
}

func (s *second) estimate(ctx context.Context, cal client.Ref) (estimate, error) {
	var got struct {
		State struct {
			Request struct {
				Estimate *estimate `json:"estimate"`
			} `json:"request"`
		} `json:"state"`
	}
	if err := s.tech.client.View(ctx, cal, &got); err != nil {
		return estimate{}, err
	}
	if got.State.Request.Estimate == nil {
		return estimate{}, fmt.Errorf("the request of %s has no estimate", cal)
	}
	return *got.State.Request.Estimate, nil
}

// queue is what the specialist sees: the promised car first, though it came later.
func (s *second) queue(ctx context.Context) error {
	var queue struct {
		Waiting []struct {
			Stream client.Ref `json:"stream"`
			Place  struct {
				Position int `json:"position"`
				Reasons  []struct {
					Words string `json:"words"`
				} `json:"reasons"`
				OfferedTo []string `json:"offered_to"`
			} `json:"place"`
		} `json:"waiting"`
	}
	if err := s.spec.client.Get(ctx, "/v1/queue", &queue); err != nil {
		return err
	}
	if len(queue.Waiting) != 2 || queue.Waiting[0].Stream != s.cal || queue.Waiting[1].Stream != s.other {
		return fmt.Errorf("the queue shows %v", queue.Waiting)
	}
	plates := map[client.Ref]string{s.cal: "DEMO 2", s.other: "DEMO 3"}
	for i, one := range queue.Waiting {
		var why []string
		for _, r := range one.Place.Reasons {
			why = append(why, r.Words)
		}
		if len(one.Place.OfferedTo) != 1 || one.Place.OfferedTo[0] != s.spec.member {
			return fmt.Errorf("%s is offered to %v", plates[one.Stream], one.Place.OfferedTo)
		}
		s.say(map[bool]string{true: "desk"}[i == 0], "%d. %s: %s", one.Place.Position, plates[one.Stream], strings.Join(why, " "))
	}
	return nil
}

// duty turns the switch of a specialist, on what the register says now.
func (s *second) duty(ctx context.Context, who *person, on bool) error {
	ref := client.Ref{Kind: "register", ID: s.world.Desk}
	var desk struct {
		Seq uint64 `json:"seq"`
	}
	if err := who.client.View(ctx, ref, &desk); err != nil {
		return err
	}
	command := map[bool]string{true: "go-on-duty", false: "go-off-duty"}[on]
	_, err := who.client.Command(ctx, ref, client.Command{Base: desk.Seq, Type: command, Data: map[string]any{"member": who.member}})
	return err
}
