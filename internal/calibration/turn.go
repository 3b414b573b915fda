package calibration

import (
	"slices"
	"time"

	"readback/internal/stream"
)

// Turn says whose turn it is and what is expected: "technician: read back step 3" as a value. Do is a command's name;
// the rest says about what, as far as it applies.
type Turn struct {
	Who      stream.Role `json:"who,omitempty"` // "" when nothing is expected of anyone
	Do       string      `json:"do,omitempty"`
	Step     int         `json:"step,omitempty"`
	Kind     string      `json:"kind,omitempty"` // of the step to instruct
	Position string      `json:"position,omitempty"`
	Gate     string      `json:"gate,omitempty"`
	Until    *time.Time  `json:"until,omitempty"`   // when the gate's answer ran out, or the first of the answers will
	Verdict  string      `json:"verdict,omitempty"` // why readings are asked for, or what to waive or move
	Outcome  string      `json:"outcome,omitempty"` // to declare, where it can be no other

	// Since when it has been that turn, of an open step since when it has been as it is, and from when on that is late.
	// Moments, so that a list which was stored a while ago still tells them rightly. Only a step's are in a Turn that is
	// decided upon; the others come with what is shown.
	Since  *time.Time `json:"since,omitempty"`
	LateAt *time.Time `json:"late_at,omitempty"`
}

// Turn is what is expected next. It may differ by the moment: a word that ran out is to be said again. It advises only;
// what is possible is decided by the interlocks.
func (s *State) Turn(now time.Time) Turn {
	switch s.phase {
	case Preparing:
		if g := s.nextGate(ByRequest, now); g != nil {
			return gateTurn(g, now)
		}
		return Turn{Who: stream.Technician, Do: "request"}
	case Waiting:
		return Turn{Who: stream.Specialist, Do: "claim"}
	case Guided:
		return s.guidedTurn(now)
	case Running:
		return Turn{Who: stream.Specialist, Do: "end-leg", Position: s.place.Position}
	case Stopped:
		return s.restartTurn()
	case Declared:
		if missing := s.unsigned(); len(missing) > 0 {
			return Turn{Who: missing[0], Do: "sign"}
		}
		if s.NoticeDue() && s.notice == nil {
			return Turn{Who: stream.Technician, Do: "hand-over-notice"}
		}
		return Turn{Who: stream.Technician, Do: "close"}
	default:
		return Turn{}
	}
}

// JobNow is what the turn depends on that the job says, and no entry of the calibration.
type JobNow struct {
	Withdrawn  bool
	VINInDoubt bool // two VINs differ, and nobody has settled which is right
}

// SettleVIN is the one command of a job, not of the calibration, that a turn asks for.
const SettleVIN = "settle-vin"

// shownTurn is the turn with the moment since when it has been that.
func (s *State) shownTurn(now time.Time) Turn {
	turn := s.Turn(now)
	if turn.Since == nil && turn.Who != "" {
		since := s.turnSince(turn, now)
		turn.Since = &since
	}
	return turn
}

// turnSince is since when the same has been expected of the same side, whatever else went on meanwhile: the clock of a wait
// does not start anew when the one who waits does something. Where time alone brought the turn, that moment.
func (s *State) turnSince(turn Turn, now time.Time) time.Time {
	if turn.Who == s.who && turn.Do == s.do {
		return s.since
	}
	since := s.at
	ended := func(at time.Time) {
		if at.After(since) && !at.After(now) {
			since = at
		}
	}
	for _, g := range s.gates {
		if g.RunsOut != nil {
			ended(*g.RunsOut)
		}
	}
	for _, w := range s.words {
		ended(w.At.Add(WordWindow))
	}
	if !s.place.ReadAt.IsZero() {
		ended(s.place.ReadAt.Add(SetupFresh))
	}
	return since
}

// keepTurn notes since when it has been the turn that it is after an entry; was is the state before.
func (s *State) keepTurn(was *State) {
	before, turn := was.Turn(s.at), s.Turn(s.at)
	since := s.at
	if turn.Who == before.Who && turn.Do == before.Do {
		since = was.turnSince(before, s.at)
	}
	s.who, s.do, s.since = turn.Who, turn.Do, since
}

// TurnBy is what is expected next, to be shown, going by the job as it is now. Of a withdrawn one nothing more is done here, and the shop
// says so of each calibration; a leg that runs is ended first. Two VINs come before the next step: this may be the wrong car.
func (s *State) TurnBy(job JobNow, now time.Time) Turn {
	_, step := s.OpenStep()
	switch {
	case !slices.Contains(beforeClaim, s.phase):
	case job.Withdrawn:
		return Turn{Who: stream.Technician, Do: "declare", Outcome: Withdrawn}
	case job.VINInDoubt && !step:
		return Turn{Who: stream.Technician, Do: SettleVIN}
	}
	return s.shownTurn(now)
}

// nextGate is the first gate that holds back what is due by then, or nil. Those that the bay can answer come before those
// that wait for the specialist to let them pass: the bay goes on meanwhile.
func (s *State) nextGate(by Due, now time.Time) *Gate {
	var passes *Gate
	for i := range s.gates {
		g := &s.gates[i]
		switch {
		case !g.holdsBack(by, now):
		case g.waivable(now) != "":
			return g
		case passes == nil:
			passes = g
		}
	}
	return passes
}

// gateTurn asks for an answer, or for the waiver of one that only a caution holds back.
func gateTurn(g *Gate, now time.Time) Turn {
	if g.waivable(now) == "" {
		return Turn{Who: stream.Specialist, Do: "waive", Gate: g.Name}
	}
	turn := Turn{Who: stream.Technician, Do: "record-gate", Gate: g.Name}
	if g.ranOut(now) {
		turn.Until = g.RunsOut
	}
	return turn
}

func (s *State) restartTurn() Turn {
	who := stream.Technician
	if slices.Contains(s.stop.Agreed, stream.Technician) {
		who = stream.Specialist
	}
	return Turn{Who: who, Do: "restart"}
}

func (s *State) guidedTurn(now time.Time) Turn {
	sheet := s.sheet()
	switch {
	case sheet == nil && s.drivesOnly():
		return s.driveTurn(now)
	case sheet == nil:
		return Turn{Who: stream.Specialist, Do: "issue-sheet"}
	case s.adopted != sheet.Number:
		return Turn{Who: stream.Specialist, Do: "adopt-sheet"}
	}
	if step, ok := s.OpenStep(); ok {
		return stepTurn(step)
	}
	here := s.place.Position
	next, listed := s.NextStep()
	switch unrun := s.unrun(); {
	case len(unrun) == 0:
		return s.driveTurn(now)
	case !slices.Contains(unrun, here):
		return Turn{Who: stream.Specialist, Do: "instruct", Kind: GoToPosition, Position: unrun[0]}
	case s.place.Stage == None && listed:
		return Turn{Who: stream.Specialist, Do: "instruct", Kind: next.Kind, Position: next.Position}
	case s.fitted != sheet.Target:
		return Turn{Who: stream.Specialist, Do: "instruct", Kind: FitTarget}
	}
	return s.placeTurn(now)
}

// driveTurn is what comes when all legs have run: the drive, if one is asked for, and the outcome.
func (s *State) driveTurn(now time.Time) Turn {
	if s.drives() && s.driven() == nil {
		if g := s.nextGate(ByDrive, now); g != nil {
			return gateTurn(g, now)
		}
		return Turn{Who: stream.Technician, Do: "record-drive", Until: s.runsOutFirst(now)}
	}
	return Turn{Who: stream.Specialist, Do: "declare"}
}

func stepTurn(s Step) Turn {
	late := s.Since.Add(s.Within())
	turn := Turn{Who: stream.Technician, Do: "read-back", Step: s.Number, Since: &s.Since, LateAt: &late}
	switch s.State {
	case StepWrong:
		turn.Who, turn.Do = stream.Specialist, "correct"
	case StepMatched:
		turn.Who, turn.Do = stream.Specialist, "confirm"
	case StepConfirmed:
		turn.Do = "done"
	}
	return turn
}

// placeTurn follows the set-up at this position from nothing to the two words.
func (s *State) placeTurn(now time.Time) Turn {
	p := s.place
	turn := Turn{Who: stream.Technician, Position: p.Position}
	switch p.Stage {
	case None:
		turn.Do = "report-readings"
	case Placed:
		turn.Do = "lock"
		if p.Verdict.Verdict != VerdictWithin && p.Waived == nil {
			turn.Do, turn.Verdict = "report-readings", p.Verdict.Verdict
			if _, large := p.Verdict.large(); large {
				return Turn{Who: stream.Specialist, Do: "instruct", Kind: MoveFixture, Verdict: p.Verdict.Verdict}
			}
		}
	case Locked:
		turn.Do = "freeze"
	case Frozen:
		turn.Do = "report-closing"
	case Held:
		return s.wordTurn(now)
	}
	return turn
}

func (s *State) wordTurn(now time.Time) Turn {
	if g := s.nextGate(ByLeg, now); g != nil {
		return gateTurn(g, now)
	}
	until := s.runsOutFirst(now)
	if now.Sub(s.place.ReadAt) > SetupFresh {
		return Turn{Who: stream.Technician, Do: "report-closing", Position: s.place.Position}
	}
	if w, _, ok := s.Words(now); ok && w.Role == stream.Technician {
		return Turn{Who: stream.Specialist, Do: "go", Position: s.place.Position, Until: until}
	}
	return Turn{Who: stream.Technician, Do: "bay-clear", Position: s.place.Position, Until: until}
}
