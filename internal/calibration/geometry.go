package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/quantity"
	"readback/internal/stream"
)

// Planned is what to expect at a position before anything is measured there.
type Planned struct {
	Name       string     `json:"name"`
	DistanceUM int64      `json:"distance_um"`
	LateralUM  int64      `json:"lateral_um"` // left positive
	HeightUM   int64      `json:"height_um"`
	FromBefore *Shift     `json:"from_before,omitempty"` // across the reference line, from the position before in the list
	FromCentre *Shift     `json:"from_centre,omitempty"`
	Readings   []Expected `json:"readings,omitempty"` // of those the sheet plans, in their order
	Missing    []string   `json:"missing,omitempty"`  // judged quantities that these readings would not find
	TooCoarse  []string   `json:"too_coarse,omitempty"`
}

// Expected is what a planned reading should read.
type Expected struct {
	ExpectedUM   *int64 `json:"expected_um,omitempty"`
	ExpectedUdeg *int64 `json:"expected_udeg,omitempty"`
}

// geometryKeys are the facts that a set-up by the newest sheet is computed from, the readings' instruments included.
func (s *State) geometryKeys(readings []Reading) []stream.FactKey {
	sheet := s.sheet()
	if sheet == nil {
		return nil
	}
	return append(s.sheetKeys(sheet), s.instrumentKeys(readings)...)
}

func (s *State) sheetKeys(sheet *Sheet) []stream.FactKey {
	return []stream.FactKey{
		s.alignmentKey(), s.dimensionsKey(sheet.Dimensions), s.fixtureKey(sheet.Fixture), s.bayKey(sheet.Bay),
	}
}

// relied gives the version of each fact that the stream holds by now, which is the one the entry was decided with.
func (s *State) relied(keys []stream.FactKey) []Reliance {
	out := make([]Reliance, len(keys))
	for i, k := range keys {
		out[i] = Reliance{Key: k, Seq: s.held[k].Seq, Hash: s.held[k].Hash}
	}
	return out
}

// caseOf assembles the placement case from the sheet, the facts and the readings. Everything in it is exactly what the
// trail stores: integers turned to decimals.
func (a *asked) caseOf(sheet *Sheet, position string, readings, closing []Reading) (placement.Case, error) {
	s := a.state
	dims, _ := fact[dimensions](a.facts, s.dimensionsKey(sheet.Dimensions))
	fix, _ := fact[fixture](a.facts, s.fixtureKey(sheet.Fixture))
	b, _ := fact[bay](a.facts, s.bayKey(sheet.Bay))
	car := map[string]json.RawMessage{}
	if err := json.Unmarshal(dims.Vehicle, &car); err != nil {
		return placement.Case{}, fmt.Errorf("dimension sheet %s: %w", sheet.Dimensions, err)
	}
	if al, ok := fact[alignment](a.facts, s.alignmentKey()); ok {
		car["rear_toe_udeg"] = al.RearToe
	}
	instruments := map[string]json.RawMessage{}
	for _, r := range slices.Concat(readings, closing) {
		i, ok := fact[instrument](a.facts, s.instrumentKey(r.Instrument))
		if ok {
			instruments[r.Instrument.String()] = i.Instrument
		}
	}
	doc := map[string]any{
		"vehicle": car, "setup": sheet.Setup, "fixture": fix.Fixture, "instruments": instruments, "readings": orEmpty(readings),
	}
	if b.Floor != nil {
		doc["floor"] = b.Floor
	}
	if position != "" {
		doc["position"] = position
	}
	if len(closing) > 0 {
		doc["closing"] = closing
	}
	raw, err := json.Marshal(doc)
	if err != nil {
		return placement.Case{}, fmt.Errorf("encode case: %w", err)
	}
	if raw, err = quantity.ToDecimal(raw); err != nil {
		return placement.Case{}, err
	}
	return placement.DecodeCase(raw)
}

func orEmpty(list []Reading) []Reading {
	if list == nil {
		return []Reading{}
	}
	return list
}

// check computes the verdict over readings at the position where the fixture stands.
func (a *asked) check(readings, closing []Reading) (placement.Case, placement.Result, error) {
	c, err := a.caseOf(a.state.sheet(), a.state.place.Position, readings, closing)
	if err != nil {
		return c, placement.Result{}, a.inData(err, readings)
	}
	r, err := placement.Check(c)
	return c, r, a.inData(err, readings)
}

// closes judges closing readings. Package placement does so for a verdict that is within; where the specialist let
// another one pass, the closing readings are held if with them the verdict is still that one, or within.
func (a *asked) closes(closing []Reading) (Closing, error) {
	stands := readingsOf(a.state.place.Standing)
	_, r, err := a.check(stands, closing)
	if err != nil {
		return Closing{}, err
	}
	if r.Closing != nil {
		sees := plainAll(r.Closing.Sees)
		if sees == nil {
			sees = []string{}
		}
		return Closing{Verdict: string(r.Closing.Verdict), Sees: sees}, nil
	}
	_, together, err := a.check(slices.Concat(stands, closing), nil)
	if err != nil {
		return Closing{}, err
	}
	c := Closing{Verdict: ClosingMoved, Sees: []string{}}
	if together.Verdict == placement.Within || string(together.Verdict) == a.state.place.Verdict.Verdict {
		c.Verdict = ClosingHeld
	}
	return c, nil
}

// plan computes what to expect at each position of the sheet, of the readings to measure there included.
func (a *asked) plan(sheet *Sheet, measure []Reading) ([]Planned, error) {
	c, err := a.caseOf(sheet, "", measure, nil)
	if err != nil {
		return nil, a.inData(err, nil)
	}
	p, err := placement.Plan(c)
	if err != nil {
		return nil, a.inData(err, nil)
	}
	out := make([]Planned, len(p.Positions))
	for i, each := range p.Positions {
		nominal, err := c.Nominal(each.Name)
		if err != nil {
			return nil, err
		}
		to := Planned{
			Name: each.Name, DistanceUM: um(nominal.DistanceMM), LateralUM: um(nominal.LateralMM), HeightUM: um(nominal.HeightMM),
		}
		to.FromCentre = sideways(to.LateralUM)
		if i > 0 {
			to.FromBefore = sideways(to.LateralUM - out[i-1].LateralUM)
		}
		if len(measure) > 0 {
			to.Missing, to.TooCoarse = plainAll(each.Missing), plainAll(each.TooCoarse)
		}
		for _, r := range each.Readings {
			var e Expected
			e.ExpectedUM, _ = optional(r.ExpectedMM, placement.MM)
			_, e.ExpectedUdeg = optional(r.ExpectedDeg, placement.Deg)
			to.Readings = append(to.Readings, e)
		}
		out[i] = to
	}
	return out, nil
}

// fits checks that the sheet's setup goes with its fixture where the thrust line is not known yet.
func (a *asked) fits(sheet *Sheet) error {
	straight := *a
	straight.facts = stream.Facts{}
	for k, f := range a.facts {
		straight.facts[k] = f
	}
	key := a.state.alignmentKey()
	straight.facts[key] = stream.Fact{Key: key, Value: json.RawMessage(`{"rear_toe_udeg":{"left":0,"right":0}}`)}
	_, err := straight.caseOf(sheet, "", sheet.Measure, nil)
	return a.inData(err, nil)
}

// inData renames the fields of a case's refusal to the keys of the command. Readings of the case are those that stand;
// the command names some of them by another number.
func (a *asked) inData(err error, stands []Reading) error {
	var f *fault.Error
	if !errors.As(err, &f) {
		return err
	}
	var sent []Reading
	switch o := a.data.(type) {
	case readingsOrder:
		sent = o.Readings
	case closingOrder:
		sent = o.Readings
	}
	fields := make([]fault.Field, len(f.Fields))
	for i, field := range f.Fields {
		rest, isReading := strings.CutPrefix(field.Name, "readings[")
		var n int
		if isReading && len(sent) == 0 {
			field.Name = "measure[" + rest
		} else if _, err := fmt.Sscanf(rest, "%d]", &n); isReading && err == nil && n < len(stands) {
			if at := slices.IndexFunc(sent, stands[n].sameAs); at >= 0 {
				field.Name = fmt.Sprintf("readings[%d%s", at, rest[strings.IndexByte(rest, ']'):])
			} else {
				field.Name = "stands[" + rest
			}
		} else if rest, ok := strings.CutPrefix(field.Name, "closing["); ok {
			field.Name = "readings[" + rest
		}
		if o, ok := a.data.(sheetOrder); ok && o.From != nil {
			if rest, ok := strings.CutPrefix(field.Name, "setup."); ok {
				field = fault.Field{Name: "from_procedure.set_up", Want: "a set-up that goes with the fixture: " + rest + ": " + field.Want}
			}
		}
		fields[i] = field
	}
	return quantity.FaultInInteger(fault.New(f.Slug, f.Detail, fields...).Because(f.Unwrap()), "data")
}

var alignmentKnown = guard{"alignment-known", "the job has a wheel alignment, if the sheet goes by the thrust line", func(a *asked) string {
	if _, ok := fact[alignment](a.facts, a.state.alignmentKey()); ok || a.state.sheet().line != placement.ThrustLine {
		return ""
	}
	return "The sheet goes by the thrust line, and the job has no wheel alignment yet. Attach it first."
}}

var factsUnchanged = guard{"facts-unchanged", "what the verdict was computed from has not changed since", func(a *asked) string {
	names := changed(a.state.place.Relied, a.facts)
	if names == nil {
		return ""
	}
	doWhat := "Report the readings again for a new verdict."
	if a.state.place.Stage.still() {
		doWhat = "Void the set-up, then report readings again."
	}
	return fmt.Sprintf("What the verdict was computed from has changed since: %s. %s", strings.Join(names, ", "), doWhat)
}}
