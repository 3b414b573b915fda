package calibration

import (
	"fmt"
	"strings"

	"readback/internal/stream"
)

// guard is one named condition that holds a command back. refuses gives, in plain English, what is missing and what to
// do about it, or "" when the guard holds. The name is published: it is in the refusal's field "guard".
type guard struct {
	name    string
	asks    string // what must hold, for the documentation
	refuses func(a *asked) string
}

var gateKnown = guard{"gate-known", "the calibration has a gate of that name", func(a *asked) string {
	name := ""
	switch o := a.data.(type) {
	case gateOrder:
		name = o.Gate
	case waiveOrder:
		if o.What != waiveGate {
			return ""
		}
		name = o.Gate
	}
	if a.state.gate(name) == nil {
		return fmt.Sprintf("This calibration has no gate %q. It has %s.", name, strings.Join(a.state.gateNames(), ", "))
	}
	return ""
}}

var waivable = guard{"waivable", "a gate that is met only outside its caution, a gate graded caution that is not met, or the standing verdict if it is adjust or unsure", func(a *asked) string {
	if o := a.data.(waiveOrder); o.What == waiveGate {
		return a.state.gate(o.Gate).waivable(a.now)
	}
	return a.state.place.waivable()
}}

var deskAgreed = guard{"agreement", "the shop and the specialist's desk have an agreement in force", func(a *asked) string {
	if a.state.agreed(a.actor.Org, a.facts) {
		return ""
	}
	return "The shop has no agreement in force with your desk. The shop's owner makes one in its register."
}}

var personCompetent = guard{"competence", "the person's proof of competence for this sensor is current on the day, or the shop lets an expired one pass as a caution; an owner's release needs none", func(a *asked) string {
	if a.role == stream.Owner {
		return ""
	}
	why, expired := competent(a.facts, memberKey(a.actor.Org, a.actor.Member), a.state.sensor, a.now)
	if expired && a.expiry().Competence == cautioned {
		return ""
	}
	return why
}}

var gatesByLeg = guard{"gates-by-leg", "every gate is met, waived where its grade allows, or answered where it is only recorded", func(a *asked) string {
	return unmet(a.state.gates, ByLeg, "start a leg", a.now)
}}

var sheetForSensor = guard{"sheet-for-sensor", "the sheet is for the sensor that is calibrated", func(a *asked) string {
	o := a.state.numbers(a.data.(sheetOrder))
	if got := o.setup.Sensor; o.Setup != nil && got != a.state.sensor {
		return fmt.Sprintf("The sheet is for %s; this calibration is of %s.", got, a.state.sensor)
	}
	return ""
}}

var dimensionsKnown = guard{"dimensions-known", "the dimension sheet is in the shop's register and in use", func(a *asked) string {
	if d, ok := fact[dimensions](a.facts, a.state.dimensionsKey(a.data.(sheetOrder).Dimensions)); ok && d.Active {
		return ""
	}
	return "The shop's register has no such dimension sheet in use. Enter the car's dimensions first."
}}

var fixtureKnown = guard{"fixture-known", "the fixture is in the shop's register and in use", func(a *asked) string {
	if f, ok := fact[fixture](a.facts, a.state.fixtureKey(a.data.(sheetOrder).Fixture)); ok && f.Active {
		return ""
	}
	return "The shop's register has no such fixture in use. Enter it first, or choose another."
}}

var bayKnown = guard{"bay-known", "the bay is in the shop's register and in use", func(a *asked) string {
	if b, ok := fact[bay](a.facts, a.state.bayKey(a.data.(sheetOrder).Bay)); ok && b.Active {
		return ""
	}
	return "The shop's register has no such bay in use. Enter it first, or choose another."
}}

var noLegInAttempt = guard{"no-leg-in-attempt", "the open attempt has no leg yet: its legs run by one sheet", func(a *asked) string {
	if open := a.state.attempt(); open == nil || len(open.Legs) == 0 {
		return ""
	}
	return "The attempt has run by the present sheet. To change it, stop and restart without the routine holding: that opens another attempt."
}}

var sheetKnown = guard{"sheet-known", "there is a set-up sheet", func(a *asked) string {
	if a.state.sheet() == nil {
		return "There is no set-up sheet yet: issue one first."
	}
	return ""
}}

var sheetNewest = guard{"sheet-newest", "the sheet is the newest one", func(a *asked) string {
	switch sheet := a.state.sheet(); {
	case sheet == nil:
		return "There is no set-up sheet yet: issue one first."
	case a.data.(adoptOrder).Sheet != sheet.Number:
		return fmt.Sprintf("Only the newest sheet can be adopted: it is number %d.", sheet.Number)
	}
	return ""
}}

var sheetNotAdopted = guard{"sheet-not-adopted", "the sheet is not adopted already", func(a *asked) string {
	if a.state.adopted == a.data.(adoptOrder).Sheet {
		return "The sheet is adopted already."
	}
	return ""
}}

var sheetAdopted = guard{"sheet-adopted", "the specialist has adopted the newest sheet", func(a *asked) string {
	switch sheet := a.state.sheet(); {
	case sheet == nil:
		return "There is no set-up sheet yet: issue one first."
	case a.state.adopted != sheet.Number:
		return fmt.Sprintf("The specialist has not adopted sheet %d yet.", sheet.Number)
	}
	return ""
}}

var targetFitted = guard{"target-fitted", "the target the sheet asks for is fitted, its id read back", func(a *asked) string {
	if sheet := a.state.sheet(); a.state.fitted != sheet.Target {
		return fmt.Sprintf("That target %s is fitted has not been read back and confirmed. The specialist instructs fit-target.", sheet.Target)
	}
	return ""
}}

var positionKnown = guard{"position-known", "the sheet has the position", func(a *asked) string {
	o, sheet := a.data.(instructOrder), a.state.sheet()
	if o.Step != GoToPosition {
		return ""
	}
	if _, ok := sheet.position(o.Position); ok {
		return ""
	}
	return fmt.Sprintf("Sheet %d has no position %q. It has %s.", sheet.Number, o.Position, strings.Join(sheet.Positions(), ", "))
}}

var largeMove = guard{"large-move", "for a move: the standing verdict asks for one of more than 50 mm", func(a *asked) string {
	if a.data.(instructOrder).Step != MoveFixture {
		return ""
	}
	if _, ok := a.state.place.Verdict.large(); ok {
		return ""
	}
	return "The standing verdict asks for no move of more than 50 mm. A smaller one is done on the verdict's word."
}}

var noOpenStep = guard{"no-open-step", "no step is open", func(a *asked) string { return a.state.stepOpen() }}

var noOpenStepIfCompleted = guard{"no-step-left-open", "for completed: no step is open", func(a *asked) string {
	if a.data.(declareOrder).Outcome != Completed {
		return ""
	}
	return a.state.stepOpen()
}}

func (s *State) stepOpen() string {
	if step, ok := s.OpenStep(); ok {
		return fmt.Sprintf("Step %d (%s) is still open: finish it, or withdraw it while it is not confirmed.", step.Number, step.Kind)
	}
	return ""
}

// aboutStep is a command that names a step.
type aboutStep interface{ number() int }

var stepOpen = guard{"step-open", "the step named is the open one", func(a *asked) string {
	step, ok := a.state.OpenStep()
	switch n := a.data.(aboutStep).number(); {
	case !ok:
		return "No step is open. The specialist instructs one first."
	case n != step.Number:
		return fmt.Sprintf("Step %d is not open: the open one is step %d.", n, step.Number)
	}
	return ""
}}

func stepGuard(name, asks string, refuses func(s Step) string) guard {
	return guard{name, asks, func(a *asked) string {
		step, _ := a.state.OpenStep() // there is one: step-open comes before
		return refuses(step)
	}}
}

var notYetMatched = stepGuard("not-yet-matched", "the step has not been read back rightly already", func(s Step) string {
	switch s.State {
	case StepMatched:
		return "It is read back rightly. Wait for the specialist's confirmation."
	case StepConfirmed:
		return "It is confirmed already. Do it, then report it done."
	}
	return ""
})

var hasReadBack = stepGuard("read-back-given", "the step has been read back", func(s Step) string {
	if s.State == StepInstructed {
		return "The technician has not read the step back yet."
	}
	return ""
})

var readBackMatches = stepGuard("read-back-matches", "the step has been read back as it was instructed", func(s Step) string {
	switch s.State {
	case StepInstructed:
		return "The technician has not read the step back yet. Silence is not a read-back."
	case StepWrong:
		return fmt.Sprintf("The read-back does not match the instruction: wrong %s. Correct it.", strings.Join(s.Wrong, ", "))
	}
	return ""
})

var notYetConfirmed = stepGuard("not-yet-confirmed", "the step is not confirmed already", func(s Step) string {
	if s.State == StepConfirmed {
		return "The step is confirmed already: the technician may be acting on it."
	}
	return ""
})

var confirmed = stepGuard("confirmed", "the specialist has confirmed the read-back", func(s Step) string {
	if s.State != StepConfirmed {
		return "The step is not confirmed. Nothing is done before the specialist has confirmed the read-back."
	}
	return ""
})

var notFrozen = guard{"not-frozen", "the set-up is not frozen; a target's id may be read back all the same", func(a *asked) string {
	o, isStep := a.data.(instructOrder)
	if !a.state.place.Stage.still() || isStep && o.Step == FitTarget {
		return ""
	}
	return "The set-up is frozen: fixture and car are not moved, and only closing readings are taken. If something has moved or is to be moved, void the set-up first."
}}

var withinHere = guard{"within-here", "the verdict at this position is within, or the specialist has waived it", func(a *asked) string {
	p := a.state.place
	switch {
	case p.Verdict == nil && p.Void != "":
		return fmt.Sprintf("The set-up was voided (%s). Report readings first.", p.Void)
	case p.Verdict == nil:
		return "No readings stand at this position. Report readings first."
	case p.Verdict.Verdict == VerdictWithin, p.Waived != nil:
		return ""
	}
	return fmt.Sprintf("The verdict at this position is %s, not within. Follow what it asks for; adjust and unsure can be waived by the specialist.", p.Verdict.Verdict)
}}

var notLocked = guard{"not-locked", "the set-up is not locked already", func(a *asked) string {
	if a.state.place.Stage != Placed {
		return fmt.Sprintf("The set-up is %s already.", a.state.place.Stage)
	}
	return ""
}}

var lockedHere = guard{"locked", "the set-up is locked", func(a *asked) string {
	if s := a.state.place.Stage; s == None || s == Placed {
		return "The set-up is not locked. Tighten the clamps and lock it first."
	}
	return ""
}}

var frozenHere = guard{"frozen", "the set-up is frozen", func(a *asked) string {
	if !a.state.place.Stage.still() {
		return "The set-up is not frozen. Lock it, then freeze it."
	}
	return ""
}}

// closingSees leaves out a waived verdict, for which it cannot be told what closing readings would show: that is a caution.
var closingSees = guard{"closing-sees", "the closing readings would show a knock in some judged quantity, unless the verdict was waived", func(a *asked) string {
	if p := a.state.place; p.Closed == nil || len(p.Closed.Sees) > 0 || p.Waived != nil {
		return ""
	}
	return "The closing readings would not show that the fixture was knocked. Add to them: two straight spans and a cross one, or the distance."
}}

var closingHeld = guard{"closing-held", "the closing readings say held", func(a *asked) string {
	switch p := a.state.place; {
	case p.Closed == nil:
		return "There are no closing readings since the set-up was frozen or work was stopped. Take them first."
	case p.Closed.Verdict != ClosingHeld:
		return "The closing readings say that something moved. Take the doubtful one again, or void the set-up and measure anew."
	}
	return ""
}}
