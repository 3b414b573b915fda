package calibration

import (
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Stop is a stop that is not lifted yet.
type Stop struct {
	Member stream.ID `json:"member"`
	At     time.Time `json:"at"`
	Resume Phase     `json:"resume"` // where a restart leads back to
	// Agreed is who has agreed to restart so far; Holds is the specialist's word that the routine still holds.
	Agreed []stream.Role `json:"agreed,omitempty"`
	Holds  bool          `json:"routine_holds"`
}

// Stop is the stop that holds the work up; false if none does.
func (s *State) Stop() (Stop, bool) {
	if s.phase != Stopped {
		return Stop{}, false
	}
	return *s.stop, true
}

// needsSee asks for the agreement by which a desk sees a calibration that nobody has claimed.
func needsSee(s *State, actor stream.Actor, _ any) []stream.FactKey {
	if s.claim == nil && actor.Org != s.shop && s.phase != Unopened {
		return []stream.FactKey{s.agreementKey(actor.Org)}
	}
	return nil
}

type stoppedDecided struct {
	Was         Phase   `json:"was"`
	Interrupted *LegRef `json:"interrupted,omitempty"`
}

func decideStop(a *asked) (stream.Decision, error) {
	d, err := a.entry(stoppedDecided{Was: a.state.phase, Interrupted: a.state.runningLeg()})
	d.Ends = a.state.runner()
	return d, err
}

func applyStopped(s *State, e stream.Entry) error {
	s.interrupt(e)
	return nil
}

// interrupt stops the work: a leg that runs is interrupted, and what the closing readings said no longer counts.
func (s *State) interrupt(e stream.Entry) {
	resume := s.phase
	switch s.phase {
	case Running:
		s.endLeg(e, LegInterrupted)
		resume = Guided
	case Stopped:
		resume = s.stop.Resume // stopped once more: those who had agreed to restart agree anew
	}
	s.stop = &Stop{Member: e.By.Member, At: e.At, Resume: resume}
	s.phase = Stopped
	s.reopen()
}

// reopen asks for closing readings anew.
func (s *State) reopen() {
	if s.place.Stage.still() {
		s.place.Stage, s.place.Closing, s.place.Closed = Frozen, nil, nil
	}
}

type restartOrder struct {
	RoutineHolds *bool `json:"routine_holds"`
}

func readRestart(o *strict.Object, _ bool) any {
	r := restartOrder{}
	if o.Has("routine_holds") {
		holds := o.Bool("routine_holds")
		r.RoutineHolds = &holds
	}
	return r
}

type restartedDecided struct {
	Phase       Phase `json:"phase"` // where the work goes on
	SameAttempt bool  `json:"same_attempt"`
}

// decideRestart is the first side's agreement or, with the second, the restart. Before a claim there is only one side.
func decideRestart(a *asked) (stream.Decision, error) {
	s, o := a.state, a.data.(restartOrder)
	holds := s.stop.Holds
	if a.role == stream.Specialist {
		holds = o.RoutineHolds != nil && *o.RoutineHolds
	} else if o.RoutineHolds != nil {
		return stream.Decision{}, fault.Badly("data.routine_holds", "leave it out: whether the routine still holds is the specialist's to say")
	}
	if s.claim != nil && len(s.stop.Agreed) == 0 {
		return a.entry(nil)
	}
	return stream.Decision{
		Type: a.row.entries[1], V: 1, Role: a.role,
		Decided: restartedDecided{Phase: s.stop.Resume, SameAttempt: holds && s.attempt() != nil},
	}, nil
}

func applyAgreed(s *State, e stream.Entry) error {
	var o restartOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	next := *s.stop
	next.Agreed = []stream.Role{e.By.Role}
	next.Holds = o.RoutineHolds != nil && *o.RoutineHolds
	s.stop = &next
	return nil
}

func applyRestarted(s *State, e stream.Entry) error {
	var d restartedDecided
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	if !d.SameAttempt && s.attempt() != nil {
		s.changeAttempt().Over = true
		s.listed = len(s.steps)
	}
	s.reopen()
	s.phase = d.Phase
	if !s.owed {
		s.stop = nil
	}
	return nil
}

var restartNotSaid = guard{"restart-not-said", "this side has not agreed already", func(a *asked) string {
	for _, r := range a.state.stop.Agreed {
		if r == a.role {
			return "You have agreed to restart; the other side has not yet."
		}
	}
	return ""
}}
