package procedure

import (
	"encoding/json"
	"slices"
	"strings"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/quantity"
	"readback/internal/stream"
	"readback/internal/strict"
)

// The steps a method may list: those a specialist can instruct.
const (
	GoToPosition = "go-to-position"
	SetDistance  = "set-distance"
	SetHeight    = "set-height"
	FitTarget    = "fit-target"
)

// SetUp is where the target stands, position by position, and how it gets there.
type SetUp struct {
	Name     string          `json:"name"`
	Target   string          `json:"target"` // the id that must be printed on the target
	Setup    json.RawMessage `json:"setup"`  // as in the placement case file, with _um and _udeg, in one spelling
	Limits   string          `json:"limits"`
	LimitsBy *stream.ID      `json:"limits_by,omitempty"`
	Steps    []Step          `json:"steps,omitempty"` // in order; none: as the specialist sees fit

	setup placement.Setup
}

// Step is one step to instruct. Its numbers are the set-up's.
type Step struct {
	Kind     string `json:"step"`
	Position string `json:"position,omitempty"` // of go-to-position
}

// Positions lists the names of the positions in order.
func (s *SetUp) Positions() []string {
	names := make([]string, len(s.setup.Positions))
	for i, p := range s.setup.Positions {
		names[i] = p.Name
	}
	return names
}

// Placement is the set-up in millimetres and degrees.
func (s *SetUp) Placement() placement.Setup { return s.setup }

func readSetUps(o *strict.Object, sensor string, f form) []SetUp {
	list := o.OptObjects("set_ups", 1, MaxSetUps)
	all := make([]SetUp, len(list))
	seen := map[string]bool{}
	for i, each := range list {
		all[i] = readSetUp(each, f)
		once(seen, each, "name", all[i].Name, "set-up")
		if got := all[i].setup.Sensor; got != "" && sensor != "" && got != sensor {
			each.Reject("setup.sensor", sensor+": the procedure is for that")
		}
	}
	return all
}

func readSetUp(o *strict.Object, f form) SetUp {
	s := SetUp{Name: o.String("name", maxName), Target: target(o)}
	s.Setup, s.setup = readPlacement(o, "setup", f)
	s.Limits, s.LimitsBy = readLimits(o, true)
	s.Steps = readSteps(o, s.setup)
	return s
}

// target reads the id printed on a target.
func target(o *strict.Object) string {
	text := o.String("target", 40)
	if strings.ContainsFunc(text, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && !strings.ContainsRune("-._/", r)
	}) {
		o.Reject("target", "the id on the target: letters, digits and - . _ / only")
		return ""
	}
	return text
}

// readPlacement lets package placement read its part, and gives it in whole numbers too.
func readPlacement(o *strict.Object, key string, f form) (json.RawMessage, placement.Setup) {
	raw := o.Raw(key)
	if raw == nil {
		return nil, placement.Setup{} // missing, and said so
	}
	var err error
	if f == authored {
		if raw, err = quantity.ToInteger(raw); err != nil {
			return nil, rejected(o, err, key, key+".")
		}
	}
	decimal, err := quantity.ToDecimal(raw)
	if err != nil {
		return nil, rejected(o, err, key, key+".")
	}
	setup, err := placement.DecodeSetup(decimal, key)
	if err != nil {
		if f == whole {
			err = quantity.FaultInInteger(err, "")
		}
		return nil, rejected(o, err, key, "")
	}
	if raw, err = quantity.ToInteger(decimal); err != nil {
		return nil, rejected(o, err, key, key+".")
	}
	return raw, setup
}

// rejected notes the faults of the part under key, whose names continue prefix.
func rejected(o *strict.Object, err error, key, prefix string) placement.Setup {
	e := fault.Of(err)
	for _, field := range e.Fields {
		o.Reject(prefix+field.Name, field.Want)
	}
	if len(e.Fields) == 0 {
		o.Reject(key, e.Detail)
	}
	return placement.Setup{}
}

func readSteps(o *strict.Object, setup placement.Setup) []Step {
	var names []string
	for _, p := range setup.Positions {
		names = append(names, p.Name)
	}
	list := o.OptObjects("steps", 1, MaxSteps)
	all := make([]Step, len(list))
	gone := map[string]bool{}
	for i, each := range list {
		s := Step{Kind: each.Enum("step", GoToPosition, SetDistance, SetHeight, FitTarget)}
		if s.Kind == GoToPosition {
			s.Position = each.String("position", maxName)
			if s.Position != "" && names != nil && !slices.Contains(names, s.Position) {
				each.Reject("position", "one of the set-up's positions: "+strings.Join(names, ", "))
			}
			gone[s.Position] = true
		}
		if i > 0 && s == all[i-1] && s.Kind != "" {
			each.Reject("step", "another step than the one before")
		}
		all[i] = s
	}
	for i, p := range names {
		if i > 0 && len(all) > 0 && !gone[p] {
			o.Reject("steps", "a step go-to-position to "+p+" too: the set-up has it")
		}
	}
	return all
}
