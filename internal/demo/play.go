package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"readback/api/client"
)

// play tells the main job from the car on the floor to the signatures.
func (s *story) play(ctx context.Context) error {
	for _, chapter := range []func(context.Context) error{
		s.arrive, s.prepare, s.firstPlacement, s.claim, s.better, s.run,
	} {
		if err := chapter(ctx); err != nil {
			return err
		}
	}
	return nil
}

// arrive opens the job with the wheel alignment, and the calibration.
func (s *story) arrive(ctx context.Context) error {
	if _, err := s.tech.open(ctx, s.job, "open-job", map[string]any{
		"vin": "ZZZDEM0A4CR000017", "plate": "DEMO 1", "mileage_km": 48210, "steering": "left",
		"dimensions": s.world.Dimensions, "causes": []string{"glass"}, "customer_told": true,
		"sensors": map[string]any{"affected": []string{"front-camera"}, "not_affected": []string{}, "none_fitted": false},
	}); err != nil {
		return err
	}
	thrustUdeg, err := s.align(ctx)
	if err != nil {
		return err
	}
	s.say("bay", "job opened: glass replaced, front camera; thrust angle %s right", degrees(thrustUdeg))
	return s.gates(ctx)
}

// align attaches the wheel alignment and gives the thrust angle, positive to the right.
func (s *story) align(ctx context.Context) (int64, error) {
	udeg := func(deg float64) int64 { return int64(math.Round(deg * 1e6)) }
	aligned, err := s.do(ctx, s.tech, s.job, "attach-alignment", map[string]any{
		"when": "after", "steering_zero_done": true,
		"wheels": map[string]any{
			"rear_left":  map[string]any{"toe_udeg": udeg(s.world.model.rearToeLeft)},
			"rear_right": map[string]any{"toe_udeg": udeg(s.world.model.rearToeRight)},
		},
	})
	if err != nil {
		return 0, err
	}
	var a struct {
		ThrustUdeg int64 `json:"thrust_udeg"`
	}
	return a.ThrustUdeg, json.Unmarshal(aligned.Decided, &a)
}

// gates opens the calibration and answers its gates: the ones due by the request now, all others before the leg.
func (s *story) gates(ctx context.Context) error {
	asked, err := s.openBy(ctx, s.cal, s.job)
	if err != nil {
		return err
	}
	if err := s.answer(ctx, s.cal, asked, 13_200); err != nil {
		return err
	}
	s.say("bay", "%d gates of car and bay answered, as the procedure asks them", len(asked))
	return nil
}

// askedGate is a gate as the entry that opens a calibration lists it.
type askedGate struct {
	Gate    string `json:"gate"`
	Demands string `json:"demands"`
	Figure  *struct {
		Unit string `json:"unit"`
	} `json:"figure"`
}

// openBy opens a calibration of the job by the procedure and gives the gates that it asks.
func (s *story) openBy(ctx context.Context, cal, job client.Ref) ([]askedGate, error) {
	opened, err := s.tech.open(ctx, cal, "open", map[string]any{
		"job": job.ID, "sensor": "front-camera", "procedure": map[string]any{"register": s.world.Shop, "id": s.world.Procedure},
	})
	if err != nil {
		return nil, err
	}
	var d struct {
		Gates []askedGate `json:"gates"`
	}
	return d.Gates, json.Unmarshal(opened.Decided, &d)
}

// answer answers every gate as met, with the battery's voltage where a figure is asked for.
func (s *story) answer(ctx context.Context, cal client.Ref, asked []askedGate, batteryMV int) error {
	for _, g := range asked {
		answer := map[string]any{"gate": g.Gate, "met": true, "evidence": g.Demands}
		if g.Figure != nil { // the battery's voltage is the only one
			answer["value"] = map[string]any{"amount": batteryMV, "unit": g.Figure.Unit}
		}
		if _, err := s.do(ctx, s.tech, cal, "record-gate", answer); err != nil {
			return err
		}
	}
	return nil
}

// prepare issues the sheet and asks for guidance: the set-up begins before anybody has come.
func (s *story) prepare(ctx context.Context) error {
	if err := s.sheet(ctx); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.tech, s.cal, "request", nil); err != nil {
		return err
	}
	s.say("bay", "guidance requested; places the board while the request waits")
	return nil
}

// sheet issues the set-up sheet from the procedure.
func (s *story) sheet(ctx context.Context) error {
	var measure []map[string]any
	for _, a := range asks() {
		d := s.data(a, 0)
		delete(d, "value_um")
		delete(d, "value_udeg")
		measure = append(measure, d)
	}
	if _, err := s.do(ctx, s.tech, s.cal, "issue-sheet", map[string]any{
		"from_procedure": map[string]any{"set_up": setUp}, "fixture": s.world.Fixture, "dimensions": s.world.Dimensions, "bay": s.world.Bay,
		"measure": measure,
	}); err != nil {
		return err
	}
	m := s.world.model
	s.say("bay", "sheet from the procedure: %d positions, %.0f mm ahead; limits %.0f mm, %.1f°",
		len(m.positions), m.distance, m.limitMM, m.limitDeg)
	return nil
}

// firstPlacement squares the board to the body's centreline, as is often done: its two diagonals agree, and it is out.
func (s *story) firstPlacement(ctx context.Context) error {
	s.rig.place(0, s.world.model.distance, 0, s.world.model.height)
	v, err := s.measure(ctx, true, asks(), nil)
	if err != nil {
		return err
	}
	diagonal := func(from, to string) float64 { return s.shown[ask{"span", from, to, "tape"}.String()] }
	apart := math.Abs(diagonal("front-left-hub", "right-end") - diagonal("front-right-hub", "left-end"))
	s.say("bay", "squared to the body: diagonals %.1f mm apart, \"square\" by the old rule", apart)
	for v.Verdict == "remeasure" { // a reading far out in its limits: an extra round
		if v, err = s.again(ctx, v); err != nil {
			return err
		}
	}
	s.say("check", "%s: %s, off the thrust line", v.Verdict, v.where())
	if v.Verdict != "adjust" {
		return fmt.Errorf("a board squared to the centreline is %s", v.Verdict)
	}
	s.first = v
	return nil
}

// claim brings the specialist, who finds the set-up begun.
func (s *story) claim(ctx context.Context) error {
	var queue struct {
		Waiting []struct {
			Stream client.Ref `json:"stream"`
		} `json:"waiting"`
	}
	if err := s.spec.client.Get(ctx, "/v1/queue", &queue); err != nil {
		return err
	}
	if len(queue.Waiting) != 1 || queue.Waiting[0].Stream != s.cal {
		return fmt.Errorf("the queue shows %v", queue.Waiting)
	}
	if err := s.spec.follow(s.cal); err != nil {
		return err
	}
	if _, err := s.spec.see(ctx, s.cal, s.tech.follows[s.cal].seen); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "claim", nil); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "adopt-sheet", map[string]any{"sheet": 1}); err != nil {
		return err
	}
	s.say("desk", "claims it from the queue, sees the set-up so far, adopts the sheet")
	if _, err := s.do(ctx, s.tech, s.job, "record-scan", map[string]any{
		"when": "before", "source": "typed",
		"codes": []any{map[string]any{"code": "B1F0E-54", "status": 8, "blocking": false}},
	}); err != nil {
		return err
	}
	s.say("bay", "scan, beside the set-up: B1F0E-54 noted, not blocking")
	return s.instruct(ctx, map[string]any{"step": "fit-target"}, false)
}

// better does the moves; then a tape is misread on its way to the tablet, and the network says which.
func (s *story) better(ctx context.Context) error {
	if err := s.nudge(ctx, s.first.Moves); err != nil {
		return err
	}
	for _, m := range s.first.Moves {
		s.rig.do(m)
	}
	s.say("bay", "%s", moves(s.first.Moves))
	victim := ask{"span", "front-right-hub", "left-end", "tape"}
	var read, typed float64
	v, err := s.measure(ctx, true, asks(), func(a ask, value float64) float64 {
		if a != victim {
			return value
		}
		read, typed = value, misread(value, 25)
		return typed
	})
	if err != nil {
		return err
	}
	s.say("bay", "measures again; types %.1f mm where the tape says %.1f mm", typed, read)
	if v.Verdict != "remeasure" || len(v.Suspects) == 0 {
		return fmt.Errorf("a misread tape went through: %s", v.Verdict)
	}
	for _, one := range v.Suspects {
		s.say("check", "remeasure: suspect %s, %s", asks()[one.Reading], sided(one.LikelyErrorUM, "too long", "too short"))
	}
	if !slices.ContainsFunc(v.Suspects, func(one suspect) bool { return asks()[one.Reading] == victim }) {
		return fmt.Errorf("the misread tape is not among the suspects")
	}
	return s.act(ctx, v, 1)
}

// run goes through the three positions, and signs.
func (s *story) run(ctx context.Context) error {
	if err := s.leg(ctx, false); err != nil {
		return err
	}
	for i, next := range s.world.model.positions[1:] {
		if err := s.moveTo(ctx, next, i == 1); err != nil {
			return err
		}
		if err := s.leg(ctx, i == 0); err != nil {
			return err
		}
	}
	if _, err := s.do(ctx, s.tech, s.job, "record-scan", map[string]any{"when": "after", "source": "typed", "codes": []any{}}); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "declare", map[string]any{"outcome": "completed"}); err != nil {
		return err
	}
	for _, who := range []*person{s.tech, s.spec} {
		if _, err := s.do(ctx, who, s.cal, "sign", nil); err != nil {
			return err
		}
	}
	if _, err := s.do(ctx, s.tech, s.cal, "close", nil); err != nil {
		return err
	}
	s.say("both", "scan after: no codes; result declared completed, signed by both, closed")
	return nil
}

// moveTo sends the board to a position and sees it within its limits there; slip is as in instruct.
func (s *story) moveTo(ctx context.Context, to spot, slip bool) error {
	if err := s.instruct(ctx, map[string]any{"step": "go-to-position", "position": to.name}, slip); err != nil {
		return err
	}
	return s.placeAt(ctx, to)
}

// placeAt puts the board along the thrust line and adjusts it until it is within its limits.
func (s *story) placeAt(ctx context.Context, at spot) error {
	s.rig.place(-s.rig.car.thrust, s.world.model.distance, at.lateral, s.world.model.height)
	v, err := s.measure(ctx, true, asks(), nil)
	if err != nil {
		return err
	}
	return s.act(ctx, v, 0)
}

// counted writes the verdicts with how often each was given.
func counted(verdicts []string) string {
	var parts []string
	for _, v := range []string{"adjust", "remeasure", "unsure", "undetermined", "within"} {
		n := 0
		for _, got := range verdicts {
			if got == v {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", v, n))
		}
	}
	return strings.Join(parts, ", ")
}
