package calibration

import (
	"slices"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Earlier is an outcome that was declared and then reopened. What it says stays as it was signed.
type Earlier struct {
	Result   Result         `json:"result"`
	Signs    []Sign         `json:"signs"`
	Notice   *HandOver      `json:"notice,omitempty"`
	Attempts int            `json:"attempts"` // how many there had been
	Reason   *stream.Sealed `json:"reason"`   // why it was reopened
	By       stream.By      `json:"by"`
	At       time.Time      `json:"at"`
}

// Earlier lists the outcomes that were reopened, in order.
func (s *State) Earlier() []Earlier { return slices.Clone(s.earlier) }

type reopenOrder struct {
	Reason stream.Sealed `json:"reason"`
}

func readReopen(o *strict.Object, sealed bool) any {
	return reopenOrder{Reason: freeText(o, "reason", sealed)}
}

// reopenedDecided says where the work goes on, and which attempt its next leg opens.
type reopenedDecided struct {
	Phase   Phase `json:"phase"`
	Attempt int   `json:"attempt"`
}

// decideReopen leads back to the specialist while nobody has closed the calibration, and else to the beginning: after a
// close the desk has gone and the bay is another day's.
func decideReopen(a *asked) (stream.Decision, error) {
	d := reopenedDecided{Phase: Preparing, Attempt: len(a.state.attempts) + 1}
	if a.state.phase == Declared && a.state.claim != nil {
		d.Phase = Guided
	}
	return a.entry(d)
}

func applyReopened(s *State, e stream.Entry) error {
	var (
		o reopenOrder
		d reopenedDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	s.earlier = appended(s.earlier, Earlier{
		Result: *s.result, Signs: filled(s.signs), Notice: s.notice, Attempts: len(s.attempts), Reason: &o.Reason, By: e.By, At: e.At,
	})
	s.result, s.signs, s.notice = nil, nil, nil
	if s.attempt() != nil {
		s.changeAttempt().Over = true
	}
	s.place, s.listed = Place{Position: s.place.Position, Stage: None}, len(s.steps)
	s.offers = nil
	if d.Phase == Preparing {
		if s.phase == Closed {
			s.gates = unanswered(s.gates)
		}
		s.claim, s.request, s.declined, s.adopted, s.fitted = nil, nil, nil, 0, ""
	}
	s.phase = d.Phase
	return nil
}
