package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"readback/api/client"
)

// mostRounds is how often the technician measures at one position before the demo gives up.
const mostRounds = 8

// story is one car that comes in. Its people see each other only through the server, the technician at the rig and the
// specialist at the desk, and act on what the server answers. Here are the steps that the stories have in common.
type story struct {
	*tale
	*players
	seed uint64
	rig  *rig
	tech *person
	spec *person // who guides now
	cal  client.Ref
	job  client.Ref

	first    verdict            // of the first placement
	extra    int                // rounds at a position beyond the ones the story is about
	verdicts []string           // as they were given, for the closing lines
	shown    map[string]float64 // the values of the last report, by reading
}

// asks are the readings that the technician takes at every position, in order.
func asks() []ask {
	list := []ask{
		{"datum-distance", "", "", "laser"},
		{"end-height", "", "left-end", "rule"}, {"end-height", "", "right-end", "rule"},
		{"level", "", "", "level"}, {"tilt", "", "", "level"},
	}
	for _, axle := range []string{"front", "rear"} {
		instrument := "tape"
		if axle == "rear" {
			instrument = "laser"
		}
		for _, pair := range [][2]string{{"left", "left"}, {"right", "right"}, {"left", "right"}, {"right", "left"}} {
			list = append(list, ask{"span", axle + "-" + pair[0] + "-hub", pair[1] + "-end", instrument})
		}
	}
	return append(list, ask{"span", "datum", "left-end", "laser"}, ask{"span", "datum", "right-end", "laser"})
}

// closingAsks are taken again after freezing: two straight spans and one cross, and the distance.
func closingAsks() []ask {
	return []ask{
		{"datum-distance", "", "", "laser"},
		{"span", "front-left-hub", "left-end", "tape"}, {"span", "front-right-hub", "right-end", "tape"},
		{"span", "front-left-hub", "right-end", "tape"}, {"span", "front-right-hub", "left-end", "tape"},
	}
}

// do lets one person give a command; the other sees its entry before anything else happens, as people do who wait for
// each other.
func (s *story) do(ctx context.Context, who *person, ref client.Ref, typ string, data map[string]any) (made, error) {
	m, err := who.do(ctx, ref, typ, data)
	if err != nil {
		return m, err
	}
	for _, other := range s.people {
		if f := other.follows[ref]; other != who && f != nil && f.seen < m.Seq {
			if _, err := other.see(ctx, ref, m.Seq); err != nil {
				return m, err
			}
		}
	}
	return m, nil
}

// data is a reading as commands carry it.
func (s *story) data(a ask, value float64) map[string]any {
	d := map[string]any{"quantity": a.quantity, "instrument": s.world.Instruments[a.instrument]}
	if a.from != "" {
		d["from"] = a.from
	}
	if a.to != "" {
		d["to"] = a.to
	}
	if p := kit[a.instrument].pointing; p > 0 && a.quantity == "span" {
		d["pointing_um"] = int64(math.Round(p * 1e3))
	}
	if a.instrument == "level" {
		d["value_udeg"] = int64(math.Round(value * 1e6))
	} else {
		d["value_um"] = int64(math.Round(value * 1e3))
	}
	return d
}

// measure takes the readings and reports them; spoil may change one on its way from the scale to the tablet.
func (s *story) measure(ctx context.Context, moved bool, list []ask, spoil func(ask, float64) float64) (verdict, error) {
	var readings []map[string]any
	for _, a := range list {
		v := s.rig.read(a)
		if spoil != nil {
			v = spoil(a, v)
		}
		s.shown[a.String()] = v
		readings = append(readings, s.data(a, v))
	}
	made, err := s.do(ctx, s.tech, s.cal, "report-readings", map[string]any{"moved": moved, "readings": readings})
	if err != nil {
		return verdict{}, err
	}
	v, err := readVerdict(made.Decided)
	s.verdicts = append(s.verdicts, v.Verdict)
	return v, err
}

// act does what a verdict asks for and measures again, until the board is within its limits.
func (s *story) act(ctx context.Context, v verdict, known int) error {
	list := asks()
	for round := 0; v.Verdict != "within"; round++ {
		if round == mostRounds {
			return fmt.Errorf("not within limits after %d rounds: %s", round, v.Verdict)
		}
		if round >= known {
			s.extra++
		}
		var err error
		switch v.Verdict {
		case "adjust", "unsure":
			todo := v.Moves
			if v.Verdict == "unsure" {
				todo = v.Nudge
			}
			for _, m := range todo {
				s.rig.do(m)
			}
			s.say("bay", "%s: %s", v.Verdict, moves(todo))
			v, err = s.measure(ctx, true, list, nil)
		case "remeasure":
			v, err = s.again(ctx, v)
		default:
			return fmt.Errorf("a verdict the demo's people do not know: %s", v.Verdict)
		}
		if err != nil {
			return err
		}
	}
	s.say("check", "within: %s (%s conform)", v.where(), v.least())
	return nil
}

// again takes the suspects of a verdict again, or everything if there are none.
func (s *story) again(ctx context.Context, v verdict) (verdict, error) {
	list := asks()
	if len(v.Suspects) > 0 {
		list = nil
		for _, one := range v.Suspects {
			list = append(list, asks()[one.Reading])
		}
	}
	s.say("bay", "takes %s again", names(list))
	return s.measure(ctx, false, list, nil)
}

func names(list []ask) string {
	if len(list) > 3 {
		return "all readings"
	}
	out := ""
	for i, a := range list {
		if i > 0 {
			out += " and "
		}
		out += a.String()
	}
	return out
}

// instruct is one step from the desk: said, read back, confirmed, done. slip makes the technician get the side wrong
// the first time.
func (s *story) instruct(ctx context.Context, data map[string]any, slip bool) error {
	made, err := s.do(ctx, s.spec, s.cal, "instruct", data)
	if err != nil {
		return err
	}
	var d struct {
		Number int `json:"number"`
		Says   struct {
			Position string `json:"position"`
			Target   string `json:"target"`
			Side     string `json:"side"`
		} `json:"says"`
	}
	if err := json.Unmarshal(made.Decided, &d); err != nil {
		return err
	}
	back := map[string]any{"step": d.Number}
	if d.Says.Target != "" {
		back["target"] = d.Says.Target
	}
	said, err := s.tech.client.Words(ctx, s.cal.ID, "en", "mm")
	if err != nil {
		return err
	}
	if said.Step == nil || said.Step.Number != d.Number {
		return fmt.Errorf("step %d is not in words", d.Number)
	}
	if d.Says.Position != "" { // said back as it was shown: digits with their unit
		back["position"], back["value"], back["unit"], back["side"] = d.Says.Position, said.Step.Figure, said.Step.Unit, d.Says.Side
	}
	s.say("desk", "%s", said.Step.Long)
	if slip {
		wrong := map[string]any{}
		for k, v := range back {
			wrong[k] = v
		}
		wrong["side"] = map[string]string{"left": "right", "right": "left"}[d.Says.Side]
		made, err := s.do(ctx, s.tech, s.cal, "read-back", wrong)
		if err != nil {
			return err
		}
		var answer struct {
			Matches bool     `json:"matches"`
			Wrong   []string `json:"wrong"`
		}
		if err := json.Unmarshal(made.Decided, &answer); err != nil {
			return err
		}
		if answer.Matches || !slices.Equal(answer.Wrong, []string{"side"}) {
			return fmt.Errorf("a wrong side was not caught: %+v", answer)
		}
		s.say("bay", "reads back vehicle %s: caught, wrong %s; nothing has moved", wrong["side"], answer.Wrong[0])
		if _, err := s.do(ctx, s.spec, s.cal, "correct", map[string]any{"step": d.Number}); err != nil {
			return err
		}
		s.say("desk", "wrong; I say again: vehicle %s", d.Says.Side)
	}
	if _, err := s.do(ctx, s.tech, s.cal, "read-back", back); err != nil {
		return err
	}
	if _, err := s.do(ctx, s.spec, s.cal, "confirm", map[string]any{"step": d.Number}); err != nil {
		return err
	}
	if d.Says.Position != "" {
		s.say("bay", "reads back, confirmed; carries the stand to position %s", d.Says.Position)
	} else {
		s.say("bay", "reads back, confirmed, done")
	}
	_, err = s.do(ctx, s.tech, s.cal, "done", map[string]any{"step": d.Number})
	return err
}

// leg holds the set-up still and lets the routine complete there.
func (s *story) leg(ctx context.Context, cutAtFreeze bool) error {
	if err := s.hold(ctx, cutAtFreeze); err != nil {
		return err
	}
	l, err := s.routine(ctx, map[string]any{"outcome": "completed"})
	if err != nil {
		return err
	}
	s.say("both", "locked, frozen, closing held; \"bay clear\", \"go\": attempt %d leg %d completed", l.Attempt, l.Leg)
	return nil
}

// hold locks and freezes the set-up and takes closing readings.
func (s *story) hold(ctx context.Context, cutAtFreeze bool) error {
	if _, err := s.do(ctx, s.tech, s.cal, "lock", nil); err != nil {
		return err
	}
	if cutAtFreeze {
		s.tech.cutNext()
	}
	frozen, err := s.do(ctx, s.tech, s.cal, "freeze", nil)
	if err != nil {
		return err
	}
	if cutAtFreeze {
		if !frozen.Repeated {
			return fmt.Errorf("the connection was cut, yet the command was answered as a new one")
		}
		s.say("link", "cut after \"freeze\" was written, before its answer; same command sent")
		s.say("", "again: the same entry %d", frozen.Seq)
	}
	return s.close(ctx)
}

// leg is a leg as its first entry names it.
type leg struct {
	Attempt  int    `json:"attempt"`
	Leg      int    `json:"leg"`
	Position string `json:"position"`
}

// routine starts the vehicle's routine on two words and ends it as given.
func (s *story) routine(ctx context.Context, end map[string]any) (l leg, err error) {
	if _, err := s.do(ctx, s.tech, s.cal, "bay-clear", nil); err != nil {
		return l, err
	}
	started, err := s.do(ctx, s.spec, s.cal, "go", nil)
	if err != nil {
		return l, err
	}
	if err := json.Unmarshal(started.Decided, &l); err != nil {
		return l, err
	}
	if started.Type != "leg-started" {
		return l, fmt.Errorf("two words made %s", started.Type)
	}
	_, err = s.do(ctx, s.spec, s.cal, "end-leg", end)
	return l, err
}

// close takes closing readings until they say that nothing moved: near a limit one set may doubt what the next one clears.
func (s *story) close(ctx context.Context) error {
	for round := range mostRounds {
		var readings []map[string]any
		for _, a := range closingAsks() {
			readings = append(readings, s.data(a, s.rig.read(a)))
		}
		made, err := s.do(ctx, s.tech, s.cal, "report-closing", map[string]any{"readings": readings})
		if err != nil {
			return err
		}
		var d struct {
			Closing struct {
				Verdict string `json:"verdict"`
			} `json:"closing"`
		}
		if err := json.Unmarshal(made.Decided, &d); err != nil {
			return err
		}
		if d.Closing.Verdict == "held" {
			return nil
		}
		if round == 0 {
			s.extra++
		}
		s.say("check", "closing readings: %s; takes them again", d.Closing.Verdict)
	}
	return fmt.Errorf("closing readings do not hold after %d rounds", mostRounds)
}
