package calibration

import (
	"fmt"
	"slices"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Closing is what closing readings say: whether anything moved since the set-up was frozen, and which of the judged
// quantities they would have shown. With a verdict that was waived they say whether it is still the same.
type Closing struct {
	Verdict string   `json:"verdict"` // held or moved
	Sees    []string `json:"sees"`
}

// The closing verdicts.
const (
	ClosingHeld  = "held"
	ClosingMoved = "moved"
)

type closingOrder struct {
	Readings []Reading `json:"readings"`
}

func readClosing(o *strict.Object, _ bool) any {
	return closingOrder{Readings: readReadings(o, "readings", o.Raw("readings"), true, 1, placement.MaxClosing)}
}

// closing are the closing readings that stand once the order is through.
func (s *State) closing(o closingOrder) []Standing {
	return standing(s.place.Closing, o.Readings, s.seq+1)
}

func needsClosing(s *State, _ stream.Actor, data any) []stream.FactKey {
	instruments := s.instrumentKeys(readingsOf(s.closing(data.(closingOrder))))
	return unique(append(append(keysOf(s.place.Relied), s.vehicleKey()), instruments...))
}

type closingDecided struct {
	Position string     `json:"position"`
	Stage    Stage      `json:"stage"`
	Stands   []Standing `json:"stands"`
	Closing  Closing    `json:"closing"`
	Cautions []string   `json:"cautions,omitempty"`
}

func decideClosing(a *asked) (stream.Decision, error) {
	s := a.state
	stands := s.closing(a.data.(closingOrder))
	if len(stands) > placement.MaxClosing {
		return stream.Decision{}, fault.Badly("data.readings", fmt.Sprintf("at most %d closing readings", placement.MaxClosing))
	}
	closing, err := a.closes(readingsOf(stands))
	if err != nil {
		return stream.Decision{}, err
	}
	d := closingDecided{Position: s.place.Position, Stage: Frozen, Stands: stands, Closing: closing, Cautions: a.expiredCautions()}
	if closing.Verdict == ClosingHeld {
		d.Stage = Held
	}
	if len(closing.Sees) == 0 {
		d.Cautions = append(d.Cautions, "closing-sees-nothing")
	}
	return a.entry(d)
}

func applyClosing(s *State, e stream.Entry) error {
	var d closingDecided
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	s.place.Stage, s.place.Closing, s.place.Closed, s.place.ReadAt = d.Stage, d.Stands, &d.Closing, e.At
	for _, r := range s.relied(s.instrumentKeys(readingsOf(d.Stands))) {
		if !slices.ContainsFunc(s.place.Relied, func(have Reliance) bool { return have.Key == r.Key }) {
			s.place.Relied = appended(s.place.Relied, r)
		}
	}
	return nil
}

// blind are cautions that name what the closing readings would not show of a knock in plan: a set of readings sees some
// directions only.
func (p Place) blind() []string {
	if p.Closed == nil || p.Verdict == nil {
		return nil
	}
	var out []string
	for _, j := range p.Verdict.Judged {
		switch j.Quantity {
		case "distance", "lateral", "yaw", "range", "azimuth":
			if !slices.Contains(p.Closed.Sees, j.Quantity) {
				out = append(out, "closing-does-not-see-"+j.Quantity)
			}
		}
	}
	return out
}
