package calibration

import (
	"fmt"
	"slices"
	"time"

	"readback/internal/stream"
)

// WordWindow is how long one side's word waits for the other's. Nothing is written when it runs out: whether a word
// still counts follows from its time and the clock.
const WordWindow = 60 * time.Second

// SetupFresh is how long the last reading vouches for a set-up.
const SetupFresh = 30 * time.Minute

// Word is one side's part of starting a leg: the bay says it is clear, the desk says go. The two are always of two people:
// a technician's is of somebody of the shop, a specialist's of somebody who is not (see holds).
type Word struct {
	Role   stream.Role `json:"role"` // technician: bay clear; specialist: go
	Member stream.ID   `json:"member"`
	At     time.Time   `json:"at"`
}

// counts reports whether the word still waits for the other.
func (w Word) counts(now time.Time) bool { return now.Sub(w.At) <= WordWindow }

// Words lists the word that waits for the other side, and how long it still does; false if none does.
func (s *State) Words(now time.Time) (w Word, left time.Duration, ok bool) {
	for _, w := range s.words {
		if w.counts(now) {
			return w, WordWindow - now.Sub(w.At), true
		}
	}
	return Word{}, 0, false
}

// needsWord asks again for all that the start rests on.
func needsWord(s *State, _ stream.Actor, _ any) []stream.FactKey {
	return append(keysOf(s.place.Relied), s.scanKey(), s.vehicleKey())
}

// legDecided is the start of a leg: which, where and on whose words.
type legDecided struct {
	LegRef
	Sheet    int      `json:"sheet"`
	Verdict  string   `json:"verdict"`
	Waived   bool     `json:"waived"`
	Words    []Word   `json:"words"` // in the order they were said
	Cautions []string `json:"cautions,omitempty"`
}

// wordDecided names what the first word is about.
type wordDecided struct {
	Position string `json:"position"`
}

// decideWord is bay clear and go alike: the first is a word given, the second within the window starts the leg.
func decideWord(a *asked) (stream.Decision, error) {
	s := a.state
	first, _, waiting := s.Words(a.now)
	if !waiting {
		return a.entry(wordDecided{s.place.Position})
	}
	b, _ := fact[bay](a.facts, s.bayKey(s.sheet().Bay))
	runner := s.claim.Person()
	return stream.Decision{
		Type: a.row.entries[1], V: 1, Role: a.role, Runs: &runner,
		Decided: legDecided{
			LegRef: s.nextLeg(), Sheet: s.adopted, Verdict: s.place.Verdict.Verdict, Waived: s.place.Waived != nil,
			Words:    []Word{first, {Role: a.role, Member: a.actor.Member, At: a.now}},
			Cautions: slices.Concat(floorCautions(b, a.now), s.place.blind(), a.expiredCautions()),
		},
	}, nil
}

func applyWord(s *State, e stream.Entry) error {
	s.words = []Word{{Role: e.By.Role, Member: e.By.Member, At: e.At}}
	return nil
}

var noBlockingCode = guard{"scan-clear", "the job's newest scan is recorded and holds no blocking trouble code", func(a *asked) string {
	sc, ok := fact[scan](a.facts, a.state.scanKey())
	switch {
	case !ok:
		return "The job has no scan yet. Read the trouble codes and record them first."
	case sc.Blocking > 0:
		return fmt.Sprintf("The newest scan holds %d blocking trouble code(s). Mend what they name and record a new scan.", sc.Blocking)
	}
	return ""
}}

var setupFresh = guard{"setup-fresh", "the last reading is not older than 30 minutes", func(a *asked) string {
	if a.now.Sub(a.state.place.ReadAt) <= SetupFresh {
		return ""
	}
	return "The last reading is more than 30 minutes old. Take closing readings again."
}}

var notAlreadySaid = guard{"not-already-said", "this side's word does not already wait for the other", func(a *asked) string {
	if w, left, ok := a.state.Words(a.now); ok && w.Role == a.role {
		return fmt.Sprintf("You have said it; the other side has %d s left to answer.", int(left/time.Second))
	}
	return ""
}}
