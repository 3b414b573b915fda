package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Attempt is one go at the routine. It opens with its first leg or drive and has one completed leg per position at the most.
type Attempt struct {
	Number int     `json:"number"` // from 1
	Legs   []Leg   `json:"legs"`
	Drives []Drive `json:"drives,omitempty"`
	Over   bool    `json:"over"` // the next leg or drive opens another attempt
}

// Leg is the routine run at one position.
type Leg struct {
	Number   int        `json:"number"` // from 1 within the attempt
	Position string     `json:"position"`
	Outcome  string     `json:"outcome"`
	Words    []Word     `json:"words"`
	Started  time.Time  `json:"started"`
	Ended    *time.Time `json:"ended,omitempty"`
	Values   []Given    `json:"values,omitempty"` // what the routine gave when it ended
}

// Given is a value as the vehicle's routine showed it: text, because nothing here computes with it.
type Given struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	Unit  string `json:"unit,omitempty"`
}

// The outcomes of a leg.
const (
	LegRunning      = "running"
	LegCompleted    = "completed"
	LegNotCompleted = "not-completed"
	LegInterrupted  = "interrupted" // by a stop or a void
)

// LegRef names a leg.
type LegRef struct {
	Attempt  int    `json:"attempt"`
	Leg      int    `json:"leg"`
	Position string `json:"position"`
}

// nextLeg is the leg that two words at the current position start.
func (s *State) nextLeg() LegRef {
	ref := LegRef{Attempt: len(s.attempts) + 1, Leg: 1, Position: s.place.Position}
	if open := s.attempt(); open != nil {
		ref.Attempt, ref.Leg = open.Number, len(open.Legs)+1
	}
	return ref
}

// runningLeg is the leg that runs, or nil.
func (s *State) runningLeg() *LegRef {
	if s.phase != Running {
		return nil
	}
	a := s.attempts[len(s.attempts)-1]
	l := a.Legs[len(a.Legs)-1]
	return &LegRef{Attempt: a.Number, Leg: l.Number, Position: l.Position}
}

// runner is the specialist whose routine runs, or nil.
func (s *State) runner() *stream.Person {
	if s.phase != Running {
		return nil
	}
	p := s.claim.Person()
	return &p
}

// completed reports whether the open attempt has a completed leg at the position.
func (s *State) completed(position string) bool {
	open := s.attempt()
	return open != nil && slices.ContainsFunc(open.Legs, func(l Leg) bool {
		return l.Position == position && l.Outcome == LegCompleted
	})
}

// unrun names the positions of the newest sheet without a completed leg in the open attempt.
func (s *State) unrun() []string {
	var names []string
	if sheet := s.sheet(); sheet != nil {
		for _, p := range sheet.Positions() {
			if !s.completed(p) {
				names = append(names, p)
			}
		}
	}
	return names
}

func applyLegStarted(s *State, e stream.Entry) error {
	var d legDecided
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	if s.attempt() == nil {
		s.attempts = appended(s.attempts, Attempt{Number: d.Attempt})
	}
	a := s.changeAttempt()
	if a.Number != d.Attempt || len(a.Legs)+1 != d.Leg {
		return fmt.Errorf("leg %d of attempt %d does not follow", d.Leg, d.Attempt)
	}
	a.Legs = append(a.Legs, Leg{Number: d.Leg, Position: d.Position, Outcome: LegRunning, Words: d.Words, Started: e.At})
	s.phase = Running
	return nil
}

// endOrder says how the leg ended. RoutineHolds counts for a leg not completed only: the vehicle's routine still waits
// at this position and the same attempt goes on.
type endOrder struct {
	Outcome      string         `json:"outcome"`
	RoutineHolds bool           `json:"routine_holds"`
	Values       []Given        `json:"values"`
	Note         *stream.Sealed `json:"note"`
}

// mostGiven is how many values a leg may end with.
const mostGiven = 40

func readEnd(o *strict.Object, sealed bool) any {
	end := endOrder{Outcome: o.Enum("outcome", LegCompleted, LegNotCompleted), Note: optFreeText(o, "note", sealed)}
	if end.Outcome == LegNotCompleted {
		end.RoutineHolds = o.OptBool("routine_holds", false)
	}
	for _, v := range o.OptObjects("values", 1, mostGiven) {
		end.Values = append(end.Values, Given{Name: v.String("name", 60), Value: v.String("value", 40), Unit: v.OptString("unit", 12)})
	}
	return end
}

type endedDecided struct {
	LegRef
	AttemptOver bool `json:"attempt_over"`
}

func decideEnd(a *asked) (stream.Decision, error) {
	o := a.data.(endOrder)
	d, err := a.entry(endedDecided{
		LegRef: *a.state.runningLeg(), AttemptOver: o.Outcome == LegNotCompleted && !o.RoutineHolds,
	})
	d.Ends = a.state.runner()
	return d, err
}

// applyEnded leaves the verdict standing: the fixture has not moved. It must be locked, frozen and closed again before
// another leg here.
func applyEnded(s *State, e stream.Entry) error {
	var (
		o endOrder
		d endedDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	s.endLeg(e, o.Outcome).Values = o.Values
	s.attempts[len(s.attempts)-1].Over = d.AttemptOver
	if d.AttemptOver {
		s.listed = len(s.steps)
	}
	s.place.Stage, s.place.Closing, s.place.Closed = Placed, nil, nil
	s.phase = Guided
	return nil
}

func (s *State) endLeg(e stream.Entry, outcome string) *Leg {
	a := s.changeAttempt()
	last := &a.Legs[len(a.Legs)-1]
	last.Outcome, last.Ended = outcome, &e.At
	return last
}

var positionNotRun = guard{"position-not-run", "the position has no completed leg in this attempt", func(a *asked) string {
	if p := a.state.place.Position; a.state.completed(p) {
		return fmt.Sprintf("Position %s has run in this attempt. Go to one that has not: %s.", p, either(a.state.unrun(), "there is none left: declare the result"))
	}
	return ""
}}

// either joins names, or says what there is without any.
func either(names []string, otherwise string) string {
	if len(names) == 0 {
		return otherwise
	}
	return strings.Join(names, ", ")
}
