package calibration

import "time"

// How long a step may wait before it shows as late. Being late changes nothing but what is shown: there is no entry of it,
// and silence is never taken for an answer. Common practice, no source.
const (
	ReadBackWithin = time.Minute      // to be read back after it was instructed or said again
	AnswerWithin   = 30 * time.Second // to be confirmed or said again after a read-back: somebody stands and waits
	DoneWithin     = 5 * time.Minute  // to be done after it was confirmed
	CarryWithin    = 10 * time.Minute // the same, where the fixture is carried to another position
)

// Within is how long the step may stay in the state it is in; 0 once it is done or withdrawn.
func (s Step) Within() time.Duration {
	switch {
	case s.State == StepInstructed:
		return ReadBackWithin
	case s.State == StepWrong, s.State == StepMatched:
		return AnswerWithin
	case s.State == StepConfirmed && s.Kind == GoToPosition:
		return CarryWithin
	case s.State == StepConfirmed:
		return DoneWithin
	}
	return 0
}

// Waits is how long the open step has been in its state at a moment.
type Waits struct {
	Seconds int  `json:"seconds"`
	Late    bool `json:"late"`
}

// Waits tells how long the open step has waited; nil if none is open.
func (s *State) Waits(now time.Time) *Waits {
	step, ok := s.OpenStep()
	if !ok {
		return nil
	}
	waited := max(now.Sub(step.Since), 0) // clocks of two nodes may differ
	return &Waits{Seconds: int(waited / time.Second), Late: waited > step.Within()}
}
