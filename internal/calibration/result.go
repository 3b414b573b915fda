package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Result is the declared outcome of the whole calibration.
type Result struct {
	Outcome string         `json:"outcome"`
	Reason  *stream.Sealed `json:"reason,omitempty"`
	By      stream.By      `json:"by"`
	At      time.Time      `json:"at"`
}

// Sign is one signature under the result.
type Sign struct {
	By stream.By `json:"by"`
	At time.Time `json:"at"`
}

// The outcomes of a calibration.
const (
	Completed    = "completed"
	NotCompleted = "not-completed"
	Interrupted  = "interrupted"
	Withdrawn    = "withdrawn"
)

// Result is the declared outcome; false before it.
func (s *State) Result() (Result, bool) {
	if s.result == nil {
		return Result{}, false
	}
	return *s.result, true
}

// Signs lists the signatures in the order they were given.
func (s *State) Signs() []Sign { return slices.Clone(s.signs) }

// signatures are the roles that sign: a calibration that ended before a specialist came has the technician's only.
func (s *State) signatures() []stream.Role {
	if s.claim == nil {
		return []stream.Role{stream.Technician}
	}
	return []stream.Role{stream.Technician, stream.Specialist}
}

// unsigned are the roles whose signature is missing.
func (s *State) unsigned() []stream.Role {
	return slices.DeleteFunc(s.signatures(), s.signedAs)
}

func (s *State) signedAs(r stream.Role) bool {
	return slices.ContainsFunc(s.signs, func(sign Sign) bool { return sign.By.Role == r })
}

type declareOrder struct {
	Outcome string         `json:"outcome"`
	Reason  *stream.Sealed `json:"reason"`
}

func readDeclare(o *strict.Object, sealed bool) any {
	d := declareOrder{Outcome: o.Enum("outcome", Completed, NotCompleted, Interrupted, Withdrawn)}
	d.Reason = optFreeText(o, "reason", sealed)
	if d.Outcome != Completed && d.Outcome != "" && !o.Has("reason") {
		o.Reject("reason", "missing: why it was "+d.Outcome)
	}
	return d
}

func needsDeclare(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return []stream.FactKey{s.scanKey()}
}

type declaredDecided struct {
	Attempts int      `json:"attempts"`
	Cautions []string `json:"cautions,omitempty"`
}

func decideDeclare(a *asked) (stream.Decision, error) {
	d := declaredDecided{Attempts: len(a.state.attempts)}
	switch sc, ok := fact[scan](a.facts, a.state.scanKey()); {
	case !ok || sc.When != "after":
		d.Cautions = append(d.Cautions, "no-scan-after")
	case sc.Blocking > 0:
		d.Cautions = append(d.Cautions, "blocking-codes-after")
	}
	return a.entry(d)
}

func applyDeclared(s *State, e stream.Entry) error {
	var o declareOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.result = &Result{Outcome: o.Outcome, Reason: o.Reason, By: e.By, At: e.At}
	s.phase, s.stop, s.owed = Declared, nil, false
	return nil
}

func decideSign(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applySigned(s *State, e stream.Entry) error {
	s.signs = appended(s.signs, Sign{By: e.By, At: e.At})
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

var allRun = guard{"all-positions-run", "for completed: every position has a completed leg in the attempt", func(a *asked) string {
	if a.data.(declareOrder).Outcome != Completed {
		return ""
	}
	if names := a.state.unrun(); len(names) > 0 || a.state.sheet() == nil {
		return fmt.Sprintf("Not every position has a completed leg in this attempt: %s. Run them, or declare another outcome.",
			either(names, "there is no set-up sheet"))
	}
	return ""
}}

var notSigned = guard{"not-signed", "nobody has signed in this role", func(a *asked) string {
	if a.state.signedAs(a.role) {
		return fmt.Sprintf("A %s has signed already.", a.role)
	}
	return ""
}}

var bothSigned = guard{"both-signed", "technician and specialist have signed; the technician alone if nobody has claimed", func(a *asked) string {
	var names []string
	for _, r := range a.state.unsigned() {
		names = append(names, string(r))
	}
	if names == nil {
		return ""
	}
	return fmt.Sprintf("The signature of the %s is missing.", strings.Join(names, " and of the "))
}}
