package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"readback/internal/procedure"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Grade says how much a gate weighs.
type Grade string

// The grades.
const (
	Required Grade = "required" // must be met
	Caution  Grade = "caution"  // must be met, or waived by the specialist with a reason
	Recorded Grade = "recorded" // must be answered, whatever the answer
)

// Due says when a gate must be answered at the latest.
type Due string

// When gates are due.
const (
	ByRequest Due = "request" // before a specialist is asked to come
	ByLeg     Due = "leg"     // before the routine runs
	ByDrive   Due = "drive"   // before the drive on the road
)

// Gate is one condition of car, bay or surroundings: what it asks, and how it was answered last.
type Gate struct {
	Asked

	Answered  bool       `json:"answered"`
	Met       bool       `json:"met"`
	Cautioned bool       `json:"cautioned,omitempty"` // met, but outside the stricter limits of its caution
	Value     *GateValue `json:"value,omitempty"`
	Evidence  string     `json:"evidence,omitempty"`
	At        *time.Time `json:"at,omitempty"`
	Member    *stream.ID `json:"member,omitempty"`
	Waived    *Waiver    `json:"waived,omitempty"`
	RunsOut   *time.Time `json:"runs_out,omitempty"` // the last moment at which the answer counts
	RanOut    bool       `json:"ran_out,omitempty"`  // of a View: it counts no more

	Photos []stream.ID `json:"photos,omitempty"` // attached to it, since the calibration was last reopened
}

// Asked is what a gate asks, as it stood when the calibration was opened. All after Due is a procedure's.
type Asked struct {
	Name  string `json:"gate"`
	Grade Grade  `json:"grade"`
	Due   Due    `json:"by"`

	Words      string            `json:"asks,omitempty"`
	Demands    string            `json:"demands,omitempty"` // the evidence an answer needs; "": any
	Figure     *procedure.Figure `json:"figure,omitempty"`  // what the answer's value must be; nil: none is needed
	Limits     string            `json:"limits,omitempty"`  // stated by the source, or own
	LimitsBy   *stream.ID        `json:"limits_by,omitempty"`
	ExpiresMin int64             `json:"expires_min,omitempty"` // minutes that an answer counts; 0: it does not run out
}

// askedBy are the gates of a procedure.
func askedBy(p *procedure.Procedure) []Asked {
	all := make([]Asked, len(p.Gates))
	for i, g := range p.Gates {
		all[i] = Asked{
			Name: g.Name, Grade: Grade(g.Grade), Due: Due(g.By), Words: g.Asks, Demands: g.Evidence, Figure: g.Value,
			Limits: g.Limits, LimitsBy: g.LimitsBy, ExpiresMin: g.ExpiresMin,
		}
	}
	return all
}

// GateValue is the figure a gate was answered with.
type GateValue struct {
	Amount int64  `json:"amount"`
	Unit   string `json:"unit"`
}

// GateUnits are the units of gate values; see procedure.Units.
var GateUnits = procedure.Units()

// evidences are how an answer is known.
var evidences = []string{procedure.Measured, procedure.Photographed, procedure.Declared}

// holdsBack reports whether the gate holds back what is due by then. Before the request only required gates count: a
// caution can be waived by the specialist alone. Those of a leg and those of the drive do not wait for each other.
func (g *Gate) holdsBack(by Due, now time.Time) bool {
	if by == ByRequest {
		return g.Due == ByRequest && g.Grade == Required && (!g.Met || g.ranOut(now))
	}
	if by != g.Due && g.Due != ByRequest {
		return false
	}
	if g.ranOut(now) {
		return true
	}
	switch g.Grade {
	case Required:
		return !g.Met || g.Cautioned && g.Waived == nil
	case Caution:
		return !g.Met && g.Waived == nil
	default:
		return !g.Answered
	}
}

// ranOut reports whether the answer counts no more: then the gate is as one not answered.
func (g *Gate) ranOut(now time.Time) bool { return g.RunsOut != nil && now.After(*g.RunsOut) }

func (g *Gate) waivable(now time.Time) string {
	switch {
	case g.Grade == Recorded, g.Grade == Required && !g.Cautioned:
		return fmt.Sprintf("The gate %s is graded %s: it cannot be waived, it must be met or answered.", g.Name, g.Grade)
	case !g.Answered:
		return fmt.Sprintf("The gate %s is not answered yet: record first how it stands.", g.Name)
	case g.ranOut(now):
		return fmt.Sprintf("The answer to the gate %s has run out: record first how it stands now.", g.Name)
	case g.Met && !g.Cautioned:
		return fmt.Sprintf("The gate %s is met: there is nothing to waive.", g.Name)
	case g.Waived != nil:
		return fmt.Sprintf("The gate %s is waived already.", g.Name)
	}
	return ""
}

// unmet says which gates hold back what, or "".
func unmet(gates []Gate, by Due, what string, now time.Time) string {
	var names []string
	for _, g := range gates {
		if !g.holdsBack(by, now) {
			continue
		}
		name := g.Name
		switch {
		case g.ranOut(now):
			name += fmt.Sprintf(" (its answer counted for %d min)", g.ExpiresMin)
		case g.Met && g.Cautioned:
			name += " (met outside its caution of " + g.Figure.Caution.Say(g.Figure.Unit) + ": for the specialist to waive)"
		}
		names = append(names, name)
	}
	if names == nil {
		return ""
	}
	return fmt.Sprintf("Before you can %s, these gates must be met: %s.", what, strings.Join(names, ", "))
}

// unanswered is the same list with no answers.
func unanswered(gates []Gate) []Gate {
	out := make([]Gate, len(gates))
	for i, g := range gates {
		out[i] = Gate{Asked: g.Asked}
	}
	return out
}

// runsOutFirst is when the first of the answers that count now will run out; nil if none does.
func (s *State) runsOutFirst(now time.Time) *time.Time {
	var first *time.Time
	for _, g := range s.gates {
		if g.RunsOut != nil && !g.ranOut(now) && (first == nil || g.RunsOut.Before(*first)) {
			first = g.RunsOut
		}
	}
	return first
}

// gatesAt are the gates as they count at a moment.
func (s *State) gatesAt(now time.Time) []Gate {
	all := filled(s.gates)
	for i := range all {
		all[i].RanOut = all[i].ranOut(now)
	}
	return all
}

func (s *State) gate(name string) *Gate {
	for i := range s.gates {
		if s.gates[i].Name == name {
			return &s.gates[i]
		}
	}
	return nil
}

func (s *State) gateNames() []string {
	names := make([]string, len(s.gates))
	for i, g := range s.gates {
		names[i] = g.Name
	}
	return names
}

// changeGate gives the gate to change, in a list of its own.
func (s *State) changeGate(name string) (*Gate, error) {
	s.gates = slices.Clone(s.gates)
	if g := s.gate(name); g != nil {
		return g, nil
	}
	return nil, fmt.Errorf("no gate %q", name)
}

type gateOrder struct {
	Gate     string     `json:"gate"`
	Met      bool       `json:"met"`
	Value    *GateValue `json:"value"`
	Evidence string     `json:"evidence"`
}

func readGate(o *strict.Object, _ bool) any {
	g := gateOrder{Gate: o.String("gate", 60), Met: o.Bool("met"), Evidence: o.Enum("evidence", evidences...)}
	if v, there := o.OptObject("value"); there {
		g.Value = &GateValue{Amount: v.Int("amount", -1e12, 1e12), Unit: v.Enum("unit", GateUnits...)}
	}
	return g
}

// gateDecided is what an answer comes to. Whoever answers may say that a gate is not met, but only the figure says that
// it is where limits are set.
type gateDecided struct {
	Met       bool `json:"met"`
	Cautioned bool `json:"cautioned,omitempty"`
}

func decideGate(a *asked) (stream.Decision, error) {
	o := a.data.(gateOrder)
	d := gateDecided{Met: o.Met}
	if f := a.state.gate(o.Gate).Figure; f != nil && o.Value != nil {
		d.Met = o.Met && f.Holds(o.Value.Amount)
		d.Cautioned = d.Met && f.Caution != nil && !f.Caution.Holds(o.Value.Amount)
	}
	return a.entry(d)
}

func applyGate(s *State, e stream.Entry) error {
	var (
		o gateOrder
		d gateDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	g, err := s.changeGate(o.Gate)
	if err != nil {
		return err
	}
	g.Answered, g.Met, g.Cautioned, g.Value, g.Evidence = true, d.Met, d.Cautioned, o.Value, o.Evidence
	g.At, g.Member, g.RunsOut = &e.At, &e.By.Member, nil
	if g.ExpiresMin > 0 {
		until := e.At.Add(time.Duration(g.ExpiresMin) * time.Minute)
		g.RunsOut = &until
	}
	g.Waived = nil // a waiver was given for the answer before
	return nil
}

// vouches reports whether the answer is one that lets something pass, so that it needs what the gate demands. That a gate
// is not met may be said by anyone who sees it.
func (g *Gate) vouches(o gateOrder) bool { return o.Met || g.Grade == Recorded }

var gateEvidence = guard{"gate-evidence", "an answer that lets something pass is known in the way the gate demands; where a declaration is enough, in any", func(a *asked) string {
	o := a.data.(gateOrder)
	g := a.state.gate(o.Gate)
	if g == nil || !g.vouches(o) || g.Demands == "" || g.Demands == procedure.Declared || g.Demands == o.Evidence {
		return ""
	}
	return fmt.Sprintf("The gate %s must be %s; this answer is %s.", g.Name, g.Demands, o.Evidence)
}}

var gatePhotographed = guard{"gate-photographed", "where the gate demands a photograph, one is attached to it, no older than an answer counts", func(a *asked) string {
	o := a.data.(gateOrder)
	g := a.state.gate(o.Gate)
	if g == nil || !g.vouches(o) || g.Demands != procedure.Photographed || o.Evidence != procedure.Photographed || a.state.photographed(g, a.now) {
		return ""
	}
	if len(g.Photos) > 0 {
		return fmt.Sprintf("The photo of the gate %s is older than the %d min that an answer counts. Attach a new one first.", g.Name, g.ExpiresMin)
	}
	return fmt.Sprintf("The gate %s is answered by a photo: attach one to it first.", g.Name)
}}

var gateFigure = guard{"gate-figure", "an answer that lets something pass has the figure the gate asks for, and any figure is in the gate's unit", func(a *asked) string {
	o := a.data.(gateOrder)
	g := a.state.gate(o.Gate)
	switch {
	case g == nil, g.Figure == nil, o.Value == nil && !g.vouches(o):
		return ""
	case o.Value == nil:
		return fmt.Sprintf("The gate %s is answered with a figure in %s: %s.", g.Name, g.Figure.Unit, g.Figure.Say(g.Figure.Unit))
	case o.Value.Unit != g.Figure.Unit:
		return fmt.Sprintf("The gate %s is answered in %s, not in %s.", g.Name, g.Figure.Unit, o.Value.Unit)
	}
	return ""
}}
