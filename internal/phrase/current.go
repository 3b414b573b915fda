package phrase

import "readback/internal/calibration"

// Current is what there is to show and say of a calibration at a moment: the open step, the moves that the standing
// verdict asks for, and whose turn it is.
type Current struct {
	Turn    string    `json:"turn,omitempty"`
	Verdict string    `json:"verdict"`
	Step    *OpenStep `json:"step,omitempty"`
	Moves   []Words   `json:"moves"`
}

// OpenStep is the open step in words, with how far it has come.
type OpenStep struct {
	Number int    `json:"number"`
	State  string `json:"state"`
	Words
}

// Current says the state at a moment, at which it is that turn.
func (v Voice) Current(s *calibration.State, turn calibration.Turn) Current {
	place := s.Place()
	c := Current{Turn: v.Turn(turn), Verdict: v.Verdict(place.Verdict), Moves: []Words{}}
	if step, ok := s.OpenStep(); ok {
		say := v.Told
		if step.State == calibration.StepInstructed {
			say = v.Step
		}
		c.Step = &OpenStep{Number: step.Number, State: step.State, Words: say(step.Instruction)}
	}
	if place.Verdict != nil {
		for _, list := range [][]calibration.Move{place.Verdict.Moves, place.Verdict.Nudge} {
			for _, m := range list {
				c.Moves = append(c.Moves, v.Move(m))
			}
		}
	}
	return c
}
