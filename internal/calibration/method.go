package calibration

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"readback/internal/procedure"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Method is the version of a procedure that the calibration was opened with. It goes by that version to its end, whatever
// becomes of the procedure.
type Method struct {
	Register stream.ID `json:"register"` // the organisation whose procedure it is
	ID       stream.ID `json:"id"`
	Version  int       `json:"version"`
	Digest   string    `json:"digest"`
}

// procedureOrder names a procedure in its newest version.
type procedureOrder struct {
	Register stream.ID `json:"register"`
	ID       stream.ID `json:"id"`
}

func readProcedureOrder(o *strict.Object) *procedureOrder {
	in, there := o.OptObject("procedure")
	if !there {
		return nil
	}
	return &procedureOrder{Register: readID(in, "register"), ID: readID(in, "id")}
}

func (o *procedureOrder) key() stream.FactKey {
	return registerKey(o.Register, "procedure/"+o.ID.String())
}

// needs lists the procedure, and where it is another organisation's the shop's agreement with that.
func (o *procedureOrder) needs(shop stream.ID) []stream.FactKey {
	keys := []stream.FactKey{o.key()}
	if o.Register != shop {
		keys = append(keys, registerKey(shop, "agreement/"+o.Register.String()))
	}
	return keys
}

// kept is a procedure as its register gives it.
type kept struct {
	Version   int             `json:"version"`
	Digest    string          `json:"digest"`
	Procedure json.RawMessage `json:"procedure"`
	Active    bool            `json:"active"`
}

func (o *procedureOrder) method(facts stream.Facts) (*procedure.Procedure, *Method, error) {
	k, ok := fact[kept](facts, o.key())
	if !ok {
		return nil, nil, fmt.Errorf("no fact %s", o.key())
	}
	p, err := procedure.DecodeWhole(k.Procedure, "")
	if err != nil {
		return nil, nil, fmt.Errorf("procedure %s: %w", o.ID, err)
	}
	return &p, &Method{Register: o.Register, ID: o.ID, Version: k.Version, Digest: k.Digest}, nil
}

// procedureKnown says the same of a procedure that is not there and of one that is not for this shop.
var procedureKnown = guard{"procedure-known", "the procedure, if one is named, is in use in the shop's own register or in that of a desk the shop has an agreement with", func(a *asked) string {
	o := a.data.(openOrder).Procedure
	if o == nil {
		return ""
	}
	ours := o.Register == a.actor.Org
	if !ours {
		agreed, ok := fact[agreement](a.facts, registerKey(a.actor.Org, "agreement/"+o.Register.String()))
		ours = ok && !agreed.Ended
	}
	if k, ok := fact[kept](a.facts, o.key()); ok && k.Active && ours {
		return ""
	}
	return "There is no such procedure in use, in your register or in that of a desk you have an agreement with."
}}

var procedureForSensor = guard{"procedure-for-sensor", "the procedure is for the sensor that is calibrated", func(a *asked) string {
	o := a.data.(openOrder)
	if o.Procedure == nil {
		return ""
	}
	p, _, err := o.Procedure.method(a.facts)
	switch {
	case err != nil:
		return "The procedure is not readable any more. Enter it again as a new one."
	case p.Sensor != o.Sensor:
		return fmt.Sprintf("The procedure is for %s; this calibration is of %s.", p.Sensor, o.Sensor)
	}
	return ""
}}

// drivesOnly reports whether the method has no set-up: all of it is on the road.
func (s *State) drivesOnly() bool { return s.procedure != nil && len(s.procedure.SetUps) == 0 }

// fromProcedure names the set-up of the procedure that a sheet takes its numbers from.
type fromProcedure struct {
	SetUp string `json:"set_up"`
}

// setUp is the set-up that the sheet names; nil if it names none or the procedure has none of that name.
func (s *State) setUp(from *fromProcedure) *procedure.SetUp {
	if from == nil || s.procedure == nil {
		return nil
	}
	set, _ := s.procedure.SetUp(from.SetUp)
	return set
}

// numbers gives the order with the numbers of the set-up that it names, if it does.
func (s *State) numbers(o sheetOrder) sheetOrder {
	set := s.setUp(o.From)
	if set == nil {
		return o
	}
	o.Setup, o.setup = set.Setup, set.Placement()
	o.Source, o.Limits, o.LimitsBy = Source(s.procedure.Source), set.Limits, set.LimitsBy
	return o
}

var setUpKnown = guard{"set-up-known", "the set-up, if one is named, is of the procedure that the calibration was opened with", func(a *asked) string {
	from := a.data.(sheetOrder).From
	switch {
	case from == nil, a.state.setUp(from) != nil:
		return ""
	case a.state.procedure == nil:
		return "The calibration was opened without a procedure: type the numbers from the service information."
	case a.state.drivesOnly():
		return "The procedure has no set-up: it is for the road."
	}
	return fmt.Sprintf("The procedure has no set-up %q. It has %s.", from.SetUp, strings.Join(a.state.procedure.SetUpNames(), ", "))
}}

var targetAsked = guard{"target-asked", "the fixture carries the target that the procedure asks for", func(a *asked) string {
	o := a.data.(sheetOrder)
	set := a.state.setUp(o.From)
	if set == nil {
		return ""
	}
	if f, _ := fact[fixture](a.facts, a.state.fixtureKey(o.Fixture)); f.Target != set.Target {
		return fmt.Sprintf("The procedure asks for target %s; this fixture carries %s. Choose the fixture that carries it.", set.Target, f.Target)
	}
	return ""
}}

// NextStep is the procedure's step that is to be instructed next; false where it lists none, or none can be sent now. A step
// done counts, in whatever order. The fixture goes on to another position only when the leg at this one is complete.
func (s *State) NextStep() (procedure.Step, bool) {
	sheet := s.sheet()
	if sheet == nil || s.adopted != sheet.Number || s.phase != Guided && s.phase != Stopped || s.place.Stage.still() {
		return procedure.Step{}, false
	}
	set := s.setUp(sheet.From)
	if _, open := s.OpenStep(); set == nil || open {
		return procedure.Step{}, false
	}
	left := slices.Clone(set.Steps)
	for _, done := range s.steps[s.listed:] {
		at := slices.Index(left, procedure.Step{Kind: done.Kind, Position: done.Position})
		if done.State == StepDone && at >= 0 {
			left = slices.Delete(left, at, at+1)
		}
	}
	for _, next := range left {
		switch {
		case next.Kind == FitTarget && s.fitted == sheet.Target: // read back before this sheet
			continue
		case next.Kind == GoToPosition && next.Position != s.place.Position && !s.completed(s.place.Position):
			return procedure.Step{}, false
		}
		return next, true
	}
	return procedure.Step{}, false
}

// MethodView is what clients see of the procedure.
type MethodView struct {
	Method
	Title  string           `json:"title"`
	Source Source           `json:"source"`
	SetUps []SetUpView      `json:"set_ups"`
	Drive  *procedure.Drive `json:"drive,omitempty"`

	DriveCaution string `json:"drive_caution,omitempty"` // to be shown with the drive
}

// SetUpView is a set-up that a sheet can be made from.
type SetUpView struct {
	Name      string          `json:"name"`
	Target    string          `json:"target"`
	Setup     json.RawMessage `json:"setup"` // where the target goes, as the procedure says it
	Positions []string        `json:"positions"`
}

func (s *State) methodView() *MethodView {
	if s.procedure == nil {
		return nil
	}
	v := MethodView{Method: *s.method, Title: s.procedure.Title, Source: Source(s.procedure.Source), SetUps: []SetUpView{}, Drive: s.procedure.Drive}
	if v.Drive != nil {
		v.DriveCaution = procedure.DriveCaution
	}
	for i := range s.procedure.SetUps {
		set := &s.procedure.SetUps[i]
		v.SetUps = append(v.SetUps, SetUpView{set.Name, set.Target, set.Setup, set.Positions()})
	}
	return &v
}

// Method is the procedure's version that the calibration goes by; false where it was opened without one.
func (s *State) Method() (Method, bool) {
	if s.method == nil {
		return Method{}, false
	}
	return *s.method, true
}
