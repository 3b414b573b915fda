package calibration

import (
	"fmt"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Result is the declared outcome of the whole calibration.
type Result struct {
	Seq        uint64           `json:"seq"` // of its entry
	Outcome    string           `json:"outcome"`
	Reason     *stream.Sealed   `json:"reason,omitempty"`
	Evaluation *Evaluation      `json:"evaluation,omitempty"`
	Remarks    *stream.Sealed   `json:"remarks,omitempty"`
	Positions  []PositionResult `json:"positions"`
	Drive      int              `json:"drive,omitempty"` // number of the drive that met all that is asked, in the last attempt
	Cautions   []string         `json:"cautions,omitempty"`
	By         stream.By        `json:"by"`
	At         time.Time        `json:"at"`
}

// Evaluation is what was looked at when the routine had run.
type Evaluation struct {
	RoutineConfirmed bool   `json:"routine_confirmed"` // the vehicle itself says that the calibration was taken over
	Lamps            string `json:"lamps"`             // the warning lamps of this system, ignition on
}

// What may be said of the warning lamps.
const (
	LampsOff     = "off"
	LampsOn      = "on"
	LampsUnknown = "not-checked"
)

// PositionResult is how one position came out in the end.
type PositionResult struct {
	Position string `json:"position"`
	Outcome  string `json:"outcome"` // of its last leg, or NotRun
	Attempt  int    `json:"attempt,omitempty"`
	Leg      int    `json:"leg,omitempty"`
}

// NotRun is the outcome of a position at which no leg ran in the last attempt.
const NotRun = "not-run"

// The outcomes of a calibration.
const (
	Completed    = "completed"
	NotCompleted = "not-completed"
	Interrupted  = "interrupted"
	Withdrawn    = "withdrawn"
)

// Outcomes are all of them.
func Outcomes() []string { return []string{Completed, NotCompleted, Interrupted, Withdrawn} }

// Result is the declared outcome; false before it.
func (s *State) Result() (Result, bool) {
	if s.result == nil {
		return Result{}, false
	}
	return *s.result, true
}

type declareOrder struct {
	Outcome    string         `json:"outcome"`
	Reason     *stream.Sealed `json:"reason"`
	Evaluation *Evaluation    `json:"evaluation"`
	Remarks    *stream.Sealed `json:"remarks"`
}

func readDeclare(o *strict.Object, sealed bool) any {
	d := declareOrder{Outcome: o.Enum("outcome", Outcomes()...)}
	d.Reason = optFreeText(o, "reason", sealed)
	if d.Outcome != Completed && d.Outcome != "" && !o.Has("reason") {
		o.Reject("reason", "missing: why it was "+d.Outcome)
	}
	if v, there := o.OptObject("evaluation"); there {
		d.Evaluation = &Evaluation{RoutineConfirmed: v.Bool("routine_confirmed"), Lamps: v.Enum("lamps", LampsOff, LampsOn, LampsUnknown)}
		if d.Outcome == Completed && !d.Evaluation.RoutineConfirmed && v.Has("routine_confirmed") {
			v.Reject("routine_confirmed", "true, or another outcome than completed: what the vehicle has not taken over is not completed")
		}
	}
	d.Remarks = optFreeText(o, "remarks", sealed)
	return d
}

func needsDeclare(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{s.scanKey()}
}

type declaredDecided struct {
	Attempts  int              `json:"attempts"`
	Positions []PositionResult `json:"positions"`
	Drive     int              `json:"drive,omitempty"`
	Cautions  []string         `json:"cautions,omitempty"`
}

// positionResults is how each position of the newest sheet came out in the last attempt.
func (s *State) positionResults() []PositionResult {
	out := []PositionResult{}
	sheet := s.sheet()
	if sheet == nil {
		return out
	}
	for _, name := range sheet.Positions() {
		p := PositionResult{Position: name, Outcome: NotRun}
		if n := len(s.attempts); n > 0 {
			for _, l := range s.attempts[n-1].Legs {
				if l.Position == name {
					p.Outcome, p.Attempt, p.Leg = l.Outcome, s.attempts[n-1].Number, l.Number
				}
			}
		}
		out = append(out, p)
	}
	return out
}

func decideDeclare(a *asked) (stream.Decision, error) {
	d := declaredDecided{Attempts: len(a.state.attempts), Positions: a.state.positionResults()}
	if met := a.state.driven(); met != nil {
		d.Drive = met.Number
	}
	switch sc, ok := fact[scan](a.facts, a.state.scanKey()); {
	case !ok || sc.When != "after":
		d.Cautions = append(d.Cautions, "no-scan-after")
	case sc.Blocking > 0:
		d.Cautions = append(d.Cautions, "blocking-codes-after")
	}
	switch o := a.data.(declareOrder); {
	case o.Outcome != Completed:
	case o.Evaluation == nil:
		d.Cautions = append(d.Cautions, "not-evaluated")
	case o.Evaluation.Lamps != LampsOff:
		d.Cautions = append(d.Cautions, "lamps-"+o.Evaluation.Lamps)
	}
	return a.entry(d)
}

func applyDeclared(s *State, e stream.Entry) error {
	var (
		o declareOrder
		d declaredDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	s.result = &Result{
		Seq: e.Seq, Outcome: o.Outcome, Reason: o.Reason, Evaluation: o.Evaluation, Remarks: o.Remarks,
		Positions: d.Positions, Drive: d.Drive, Cautions: d.Cautions, By: e.By, At: e.At,
	}
	s.phase, s.stop, s.owed = Declared, nil, false
	return nil
}

func decideCloseOff(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyClosedOff(s *State, _ stream.Entry) error {
	s.phase = Closed
	return nil
}

var outcomeYours = guard{"outcome-yours", "before a claim the outcome is withdrawn; a technician declares withdrawn or interrupted only", func(a *asked) string {
	o := a.data.(declareOrder).Outcome
	begun := a.state.phase == Guided || a.state.phase == Stopped && a.state.claim != nil
	switch {
	case o != Withdrawn && !begun:
		return fmt.Sprintf("No specialist has claimed the calibration: it can be withdrawn, but not declared %s.", o)
	case a.role == stream.Technician && o != Withdrawn && o != Interrupted:
		return fmt.Sprintf("Whether the calibration was %s is the specialist's to declare. You can declare it interrupted or withdrawn.", o)
	}
	return ""
}}

var notStopped = guard{"not-stopped", "for completed: no stop is in force", func(a *asked) string {
	if a.data.(declareOrder).Outcome == Completed && a.state.phase == Stopped {
		return "A stop is in force. Both sides agree to restart before the calibration can be declared completed."
	}
	return ""
}}

var allRun = guard{"all-positions-run", "for completed: every position has a completed leg in the attempt, if there are positions or the procedure has any", func(a *asked) string {
	if a.data.(declareOrder).Outcome != Completed {
		return ""
	}
	if names := a.state.unrun(); len(names) > 0 || a.state.sheet() == nil && !a.state.drivesOnly() {
		return fmt.Sprintf("Not every position has a completed leg in this attempt: %s. Run them, or declare another outcome.",
			either(names, "there is no set-up sheet"))
	}
	return ""
}}
