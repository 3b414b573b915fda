package demo

import (
	"context"
	"encoding/json"
)

// handOver changes specialists while everything is frozen. What the card says wrongly is not taken.
func (s *second) handOver(ctx context.Context) error {
	leaving := s.spec
	if err := s.duty(ctx, s.relief, true); err != nil {
		return err
	}
	offered, err := s.do(ctx, leaving, s.cal, "offer-handover", map[string]any{"points": "The battery is waived; watch it."})
	if err != nil {
		return err
	}
	var d struct {
		Card struct {
			Position string `json:"position"`
			Stage    string `json:"stage"`
			Attempt  int    `json:"attempt"`
			Legs     int    `json:"legs"`
			Frozen   bool   `json:"frozen"`
		} `json:"card"`
		Next struct {
			Who string `json:"who"`
			Do  string `json:"do"`
		} `json:"next"`
	}
	if err := json.Unmarshal(offered.Decided, &d); err != nil {
		return err
	}
	still := map[bool]string{true: "frozen, do not move", false: "not frozen"}
	s.say("desk", "%s's shift ends, %s is on duty. Hand-over card: position %s, %s (%s), attempt %d, %d leg done; next: %s, %s",
		first(leaving.name), first(s.relief.name), d.Card.Position, d.Card.Stage, still[d.Card.Frozen], d.Card.Attempt, d.Card.Legs,
		d.Next.Who, d.Next.Do)
	if err := s.join(ctx, s.relief); err != nil {
		return err
	}
	said := map[string]any{"position": s.world.model.positions[0].name, "stage": d.Card.Stage, "attempt": d.Card.Attempt, "frozen": d.Card.Frozen}
	why, err := s.refused(ctx, s.relief, s.cal, "take-handover", said)
	if err != nil {
		return err
	}
	s.say("desk", "%s restates: position %s. Caught: %s", first(s.relief.name), said["position"], why)
	said["position"] = d.Card.Position
	if _, err := s.do(ctx, s.relief, s.cal, "take-handover", said); err != nil {
		return err
	}
	if err := s.duty(ctx, leaving, false); err != nil {
		return err
	}
	s.spec = s.relief
	s.say("desk", "%s restates: position %s. Taken; %s goes off duty", first(s.spec.name), d.Card.Position, first(leaving.name))
	return nil
}
