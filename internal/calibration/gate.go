package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

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
)

// Gate is one condition of car, bay or surroundings.
type Gate struct {
	Name  string `json:"gate"`
	Grade Grade  `json:"grade"`
	Due   Due    `json:"by"`

	Answered bool       `json:"answered"`
	Met      bool       `json:"met"`
	Value    *GateValue `json:"value,omitempty"`
	Evidence string     `json:"evidence,omitempty"`
	At       *time.Time `json:"at,omitempty"`
	Member   *stream.ID `json:"member,omitempty"`
	Waived   *Waiver    `json:"waived,omitempty"`
}

// GateValue is the figure a gate was answered with.
type GateValue struct {
	Amount int64  `json:"amount"`
	Unit   string `json:"unit"`
}

// GateUnits are the units of gate values: micrometre, microdegree, millivolt, lux, hectopascal, thousandth of a degree
// Celsius, minute, kilometre.
var GateUnits = []string{"um", "udeg", "mV", "lx", "hPa", "mC", "min", "km"}

// evidences are how an answer is known.
var evidences = []string{"measured", "photographed", "declared"}

// Gates gives the gates of a kind of sensor; false for a kind that cannot be calibrated here. The grades are common
// practice; where the vehicle's service information asks for more, that decides.
func Gates(sensor string) ([]Gate, bool) {
	special, ok := gatesBySensor[sensor]
	if !ok {
		return nil, false
	}
	return slices.Concat(commonGates, special), true
}

// Sensors lists the kinds of sensor that can be calibrated, in order.
func Sensors() []string {
	names := make([]string, 0, len(gatesBySensor))
	for s := range gatesBySensor {
		names = append(names, s)
	}
	slices.Sort(names)
	return names
}

// commonGates are asked of every sensor.
var commonGates = []Gate{
	{Name: "floor-surveyed", Grade: Required, Due: ByRequest},
	{Name: "space-clear", Grade: Required, Due: ByRequest},
	{Name: "tyres-set", Grade: Required, Due: ByRequest},
	{Name: "load-set", Grade: Required, Due: ByRequest},
	{Name: "ride-height-checked", Grade: Caution, Due: ByLeg},
	{Name: "steering-straight", Grade: Required, Due: ByLeg},
	{Name: "brakes-and-chocks", Grade: Required, Due: ByLeg},
	{Name: "battery-supported", Grade: Required, Due: ByLeg},
	{Name: "doors-shut", Grade: Required, Due: ByLeg},
	{Name: "area-marked", Grade: Caution, Due: ByLeg},
	{Name: "temperature-noted", Grade: Recorded, Due: ByLeg},
}

var (
	cameraGates = []Gate{
		{Name: "light-even", Grade: Caution, Due: ByLeg},
		{Name: "background-plain", Grade: Required, Due: ByRequest},
	}
	radarGates = []Gate{
		{Name: "metal-cleared", Grade: Required, Due: ByRequest},
		{Name: "cover-sound", Grade: Required, Due: ByRequest},
	}
)

// gatesBySensor has a row for every kind of sensor whose target is a board or a reflector.
var gatesBySensor = map[string][]Gate{
	"front-camera": slices.Concat([]Gate{{Name: "glass-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"night-camera": slices.Concat([]Gate{{Name: "lens-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"rear-camera":  slices.Concat([]Gate{{Name: "lens-clean", Grade: Required, Due: ByRequest}}, cameraGates),
	"front-radar":  radarGates,
	"corner-radar": radarGates,
	"rear-radar":   radarGates,
	"lidar":        slices.Concat([]Gate{{Name: "cover-sound", Grade: Required, Due: ByRequest}}, cameraGates),
}

// due reports whether the gate must be answered by then.
func (g *Gate) due(by Due) bool { return by == ByLeg || g.Due == by }

// open reports whether the gate still holds back what it guards.
func (g *Gate) open() bool {
	switch g.Grade {
	case Required:
		return !g.Met
	case Caution:
		return !g.Met && g.Waived == nil
	default:
		return !g.Answered
	}
}

func (g *Gate) waivable() string {
	switch {
	case g.Grade != Caution:
		return fmt.Sprintf("The gate %s is graded %s: it cannot be waived, it must be met or answered.", g.Name, g.Grade)
	case !g.Answered:
		return fmt.Sprintf("The gate %s is not answered yet: record first how it stands.", g.Name)
	case g.Met:
		return fmt.Sprintf("The gate %s is met: there is nothing to waive.", g.Name)
	case g.Waived != nil:
		return fmt.Sprintf("The gate %s is waived already.", g.Name)
	}
	return ""
}

// unmet says which gates hold back what, or "". Before the request only required gates count: a caution can be
// waived by the specialist alone.
func unmet(gates []Gate, by Due, what string) string {
	var names []string
	for _, g := range gates {
		if g.due(by) && g.open() && (by == ByLeg || g.Grade == Required) {
			names = append(names, g.Name)
		}
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
		out[i] = Gate{Name: g.Name, Grade: g.Grade, Due: g.Due}
	}
	return out
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

func decideGate(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyGate(s *State, e stream.Entry) error {
	var o gateOrder
	if err := json.Unmarshal(e.Command.Data, &o); err != nil {
		return err
	}
	g, err := s.changeGate(o.Gate)
	if err != nil {
		return err
	}
	g.Answered, g.Met, g.Value, g.Evidence = true, o.Met, o.Value, o.Evidence
	g.At, g.Member = &e.At, &e.By.Member
	g.Waived = nil // a waiver was given for the answer before
	return nil
}
