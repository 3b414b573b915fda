package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// A planned hand-over has three parts: whoever leaves offers, with a card that the server composes; whoever comes says the
// card's key figures in their own words, and the server compares; only then the work changes hands, and what is frozen
// is checked again. It is the same on both sides. Nothing changes hands while a leg runs.

// Card is the state that is handed over.
type Card struct {
	Phase    Phase  `json:"phase"`
	Position string `json:"position,omitempty"`
	Stage    Stage  `json:"stage"`
	Attempt  int    `json:"attempt"`        // the open attempt; 0: none is open
	Legs     int    `json:"legs"`           // legs completed in it
	Frozen   bool   `json:"frozen"`         // fixture and car must not be moved
	Step     int    `json:"step,omitempty"` // the step that is open
	Void     string `json:"void,omitempty"`
	Unmet    int    `json:"gates_open"` // gates that a leg still waits for
}

// Offer is a hand-over that waits for whoever comes.
type Offer struct {
	Side   stream.Role    `json:"side"` // technician or specialist
	Member stream.ID      `json:"member"`
	At     time.Time      `json:"at"`
	Card   Card           `json:"card"`
	Next   Turn           `json:"next"`             // the next step, as it stood then
	Open   *stream.Sealed `json:"points,omitempty"` // open points in their own words
}

// Hand is a technician who took the work over.
type Hand struct {
	Member stream.ID `json:"member"`
	At     time.Time `json:"at"`
}

// card is the state at a moment as a card shows it.
func (s *State) card(now time.Time) Card {
	c := Card{Phase: s.phase, Position: s.place.Position, Stage: s.place.Stage, Frozen: s.place.Stage.still(), Void: s.place.Void}
	if open := s.attempt(); open != nil {
		c.Attempt = open.Number
		for _, l := range open.Legs {
			if l.Outcome == LegCompleted {
				c.Legs++
			}
		}
	}
	if step, ok := s.OpenStep(); ok {
		c.Step = step.Number
	}
	due := ByLeg
	if s.drivesOnly() {
		due = ByDrive
	}
	for i := range s.gates {
		if s.gates[i].holdsBack(due, now) {
			c.Unmet++
		}
	}
	return c
}

type offerOrder struct {
	Points *stream.Sealed `json:"points"`
}

func readOffer(o *strict.Object, sealed bool) any {
	return offerOrder{Points: optFreeText(o, "points", sealed)}
}

type offeredDecided struct {
	Card Card `json:"card"`
	Next Turn `json:"next"`
}

func decideOffer(a *asked) (stream.Decision, error) {
	return a.entry(offeredDecided{Card: a.state.card(a.now), Next: a.state.Turn(a.now)})
}

func applyOffered(s *State, e stream.Entry) error {
	var (
		o offerOrder
		d offeredDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	s.offers = append(withoutOffer(s.offers, e.By.Role), Offer{
		Side: e.By.Role, Member: e.By.Member, At: e.At, Card: d.Card, Next: d.Next, Open: o.Points,
	})
	return nil
}

// withoutOffer is a new list without the side's offer.
func withoutOffer(offers []Offer, side stream.Role) []Offer {
	return slices.DeleteFunc(slices.Clone(offers), func(o Offer) bool { return o.Side == side })
}

// Offers lists the hand-overs that wait, one per side at the most.
func (s *State) Offers() []Offer { return slices.Clone(s.offers) }

func (s *State) offer(side stream.Role) *Offer {
	for i := range s.offers {
		if s.offers[i].Side == side {
			return &s.offers[i]
		}
	}
	return nil
}

// restatement is the card's key figures as whoever comes says them.
type restatement struct {
	Position string `json:"position"`
	Stage    string `json:"stage"`
	Attempt  int    `json:"attempt"`
	Frozen   bool   `json:"frozen"`
}

func readRestatement(o *strict.Object, _ bool) any {
	return restatement{
		Position: o.OptString("position", 40), Stage: o.Enum("stage", string(None), string(Placed), string(Locked), string(Frozen), string(Held)),
		Attempt: int(o.Int("attempt", 0, 1_000_000)), Frozen: o.Bool("frozen"),
	}
}

// wrong names what the restatement has otherwise than the card.
func (r restatement) wrong(c Card) []string {
	var list []string
	for name, differs := range map[string]bool{
		"position": r.Position != c.Position, "stage": r.Stage != string(c.Stage), "attempt": r.Attempt != c.Attempt, "frozen": r.Frozen != c.Frozen,
	} {
		if differs {
			list = append(list, name)
		}
	}
	slices.Sort(list)
	return list
}

func decideHandover(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyHandover(s *State, e stream.Entry) error {
	s.offers = withoutOffer(s.offers, e.By.Role)
	s.disagree()
	if e.By.Role == stream.Technician {
		s.hand = &Hand{Member: e.By.Member, At: e.At}
		s.reopen()
		return nil
	}
	// The target's id was read back and does not change with people. Sheet and waiver are what a specialist answers for.
	s.claim = &Claim{Desk: e.By.Org, Member: e.By.Member, At: e.At}
	s.adopted, s.place.Waived = 0, nil
	s.reopen()
	return nil
}

// disagree takes back what was agreed on a restart: it was agreed between others.
func (s *State) disagree() {
	if s.phase == Stopped {
		s.stop = &Stop{Member: s.stop.Member, At: s.stop.At, Resume: s.stop.Resume}
	}
}

// takeOverOrder is an unplanned take-over. UnheardS is added by the server: how long nothing was heard of the holder.
type takeOverOrder struct {
	Reason   stream.Sealed `json:"reason"`
	UnheardS *int64        `json:"unheard_s"`
}

// TakeOverAfter is how long a holder must not have been heard of before a colleague may take over without being asked.
const TakeOverAfter = 3 * time.Minute

func readTakeOver(o *strict.Object, admitted bool) any {
	t := takeOverOrder{Reason: freeText(o, "reason", admitted)}
	if admitted && o.Has("unheard_s") {
		s := o.Int("unheard_s", 0, mostWaitS)
		t.UnheardS = &s
	}
	return t
}

func needsTakeOver(s *State, actor stream.Actor, _ any) []stream.FactKey {
	if s.claim == nil {
		return nil
	}
	return []stream.FactKey{dutyKey(s.claim.Desk, s.claim.Member), memberKey(s.claim.Desk, s.claim.Member)}
}

func decideTakeOver(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyTakenOver(s *State, e stream.Entry) error {
	s.claim = &Claim{Desk: e.By.Org, Member: e.By.Member, At: e.At}
	s.offers = withoutOffer(s.offers, stream.Specialist)
	s.disagree()
	s.vouchAnew()
	return nil
}

var handoverOffered = guard{"handover-offered", "this side's hand-over is offered", func(a *asked) string {
	if a.state.offer(a.role) == nil {
		return "No hand-over is offered. Whoever leaves offers it first."
	}
	return ""
}}

var handoverNotOwn = guard{"handover-by-another", "whoever takes it is not whoever offers it", func(a *asked) string {
	if o := a.state.offer(a.role); o != nil && o.Member == a.actor.Member {
		return "You offer it yourself: somebody else takes it."
	}
	return ""
}}

var handoverCurrent = guard{"handover-current", "nothing on the card has changed since the offer", func(a *asked) string {
	o := a.state.offer(a.role)
	if o == nil {
		return ""
	}
	now := a.state.card(a.now)
	now.Unmet = o.Card.Unmet // gates are answered, and run out, while somebody comes
	if now != o.Card {
		return "The work has gone on since the card was made. Whoever leaves offers it anew."
	}
	return ""
}}

var restated = guard{"restated", "the card's position, stage, attempt and whether it is frozen are said as they are", func(a *asked) string {
	o := a.state.offer(a.role)
	if o == nil {
		return ""
	}
	if wrong := a.data.(restatement).wrong(o.Card); wrong != nil {
		return fmt.Sprintf("That is not what the card says: %s. Read it again and say it.", strings.Join(wrong, ", "))
	}
	return ""
}}

var holderAway = guard{"holder-away", "the specialist in charge is off duty, retired or not heard of for 3 minutes", func(a *asked) string {
	claim := a.state.claim
	if d, ok := fact[duty](a.facts, dutyKey(claim.Desk, claim.Member)); ok && !d.On {
		return ""
	}
	if m, ok := fact[member](a.facts, memberKey(claim.Desk, claim.Member)); !ok || !m.Active {
		return ""
	}
	if s := a.data.(takeOverOrder).UnheardS; s != nil && time.Duration(*s)*time.Second >= TakeOverAfter {
		return ""
	}
	return "The specialist in charge is there. Ask for a hand-over."
}}
