package calibration

import (
	"encoding/json"
	"fmt"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Waiver is the specialist's word, with a reason and a name, that something may stay as it is.
type Waiver struct {
	Member stream.ID     `json:"member"`
	At     time.Time     `json:"at"`
	Reason stream.Sealed `json:"reason"`
}

const (
	waiveGate    = "gate"
	waiveVerdict = "verdict"
)

type waiveOrder struct {
	What   string        `json:"what"`
	Gate   string        `json:"gate"`
	Reason stream.Sealed `json:"reason"`
}

func readWaive(o *strict.Object, sealed bool) any {
	w := waiveOrder{What: o.Enum("what", waiveGate, waiveVerdict)}
	if w.What == waiveGate {
		w.Gate = o.String("gate", 60)
	}
	w.Reason = freeText(o, "reason", sealed)
	return w
}

func (p *Place) waivable() string {
	switch {
	case p.Verdict == nil:
		return "No readings stand at this position: there is no verdict to waive."
	case p.Waived != nil:
		return "The verdict is waived already."
	case p.Verdict.Verdict == VerdictAdjust, p.Verdict.Verdict == VerdictUnsure:
		return ""
	}
	return fmt.Sprintf("The verdict is %s. Only adjust and unsure can be waived: where the target stands must be known.", p.Verdict.Verdict)
}

func decideWaive(a *asked) (stream.Decision, error) {
	o := a.data.(waiveOrder)
	if o.What == waiveVerdict {
		return a.entry(waivedVerdict{Position: a.state.place.Position, Verdict: a.state.place.Verdict.Verdict})
	}
	return a.entry(nil)
}

// waivedVerdict says in the entry what was let pass.
type waivedVerdict struct {
	Position string `json:"position"`
	Verdict  string `json:"verdict"`
}

func applyWaived(s *State, e stream.Entry) error {
	var o waiveOrder
	if err := json.Unmarshal(e.Command.Data, &o); err != nil {
		return err
	}
	w := &Waiver{Member: e.By.Member, At: e.At, Reason: o.Reason}
	if o.What == waiveVerdict {
		s.place.Waived = w
		return nil
	}
	g, err := s.changeGate(o.Gate)
	if err != nil {
		return err
	}
	g.Waived = w
	return nil
}
