package calibration

import (
	"encoding/json"
	"fmt"
	"time"

	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Sheet is a set-up sheet: what the service information asks for, on which fixture, car and bay. A sheet is never
// changed; a further one replaces it.
type Sheet struct {
	Number     int             `json:"sheet"` // from 1
	Setup      json.RawMessage `json:"setup"` // as in the placement case file, with _um and _udeg
	Fixture    stream.ID       `json:"fixture"`
	Dimensions stream.ID       `json:"dimensions"`
	Bay        stream.ID       `json:"bay"`
	From       *fromProcedure  `json:"from_procedure,omitempty"` // nil: the numbers were typed
	Source     Source          `json:"source"`
	Limits     string          `json:"limits"` // stated by the source, or the shop's own
	LimitsBy   *stream.ID      `json:"limits_by,omitempty"`
	Measure    []Reading       `json:"measure,omitempty"` // readings planned at each position, without values
	Target     string          `json:"target"`            // id that must stand on the target
	Plan       []Planned       `json:"plan,omitempty"`
	Cautions   []string        `json:"cautions,omitempty"`
	By         stream.By       `json:"issued_by"`
	At         time.Time       `json:"issued_at"`

	positions []placement.Position
	line      string
	datum     string
	tolerance placement.Tolerance
}

// Source names the document the numbers come from.
type Source struct {
	Title   string `json:"title"`
	Dated   string `json:"dated"`
	Version string `json:"version"`
}

// Who set the limits.
const (
	LimitsStated = "stated"
	LimitsOwn    = "own"
)

type sheetOrder struct {
	From       *fromProcedure  `json:"from_procedure"` // in place of setup, source and limits
	Setup      json.RawMessage `json:"setup"`
	Fixture    stream.ID       `json:"fixture"`
	Dimensions stream.ID       `json:"dimensions"`
	Bay        stream.ID       `json:"bay"`
	Source     Source          `json:"source"`
	Limits     string          `json:"limits"`
	LimitsBy   *stream.ID      `json:"limits_by"`
	Measure    []Reading       `json:"measure"`
	setup      placement.Setup
}

func readSheet(o *strict.Object, _ bool) any {
	s := sheetOrder{Fixture: readID(o, "fixture"), Dimensions: readID(o, "dimensions"), Bay: readID(o, "bay")}
	s.Measure = readPlannedReadings(o)
	if from, there := o.OptObject("from_procedure"); there {
		s.From = &fromProcedure{SetUp: from.String("set_up", 60)}
		return s
	}
	s.Setup, s.Limits = o.Raw("setup"), o.Enum("limits", LimitsStated, LimitsOwn)
	src := o.Object("source")
	s.Source = Source{Title: src.String("title", 200), Dated: readDate(src, "dated"), Version: src.String("version", 60)}
	if s.Limits == LimitsOwn {
		by := readID(o, "limits_by")
		s.LimitsBy = &by
	}
	s.setup = readPart(o, "setup", s.Setup, placement.DecodeSetup)
	return s
}

// readDate reads a required calendar day.
func readDate(o *strict.Object, key string) string {
	text := o.String(key, 10)
	if _, err := time.Parse(time.DateOnly, text); err != nil && text != "" {
		o.Reject(key, "a day such as 2027-03-31")
	}
	return text
}

func needsSheet(s *State, _ stream.Actor, data any) []stream.FactKey {
	o := data.(sheetOrder)
	keys := []stream.FactKey{
		s.vehicleKey(), s.alignmentKey(), s.dimensionsKey(o.Dimensions), s.fixtureKey(o.Fixture), s.bayKey(o.Bay),
	}
	return append(keys, s.instrumentKeys(o.Measure)...)
}

// sheetDecided is what an issued sheet comes to with the facts of the day.
type sheetDecided struct {
	Sheet    int       `json:"sheet"`
	Adopted  bool      `json:"adopted"` // issued by the specialist: nothing is left to adopt
	Target   string    `json:"target"`
	Plan     []Planned `json:"plan,omitempty"` // absent while the wheel alignment is missing
	Cautions []string  `json:"cautions,omitempty"`

	// Of a sheet made from the procedure: what it says.
	Setup    json.RawMessage `json:"setup,omitempty"`
	Source   *Source         `json:"source,omitempty"`
	Limits   string          `json:"limits,omitempty"`
	LimitsBy *stream.ID      `json:"limits_by,omitempty"`
}

func decideSheet(a *asked) (stream.Decision, error) {
	o := a.state.numbers(a.data.(sheetOrder))
	fix, _ := fact[fixture](a.facts, a.state.fixtureKey(o.Fixture))
	d := sheetDecided{
		Sheet: len(a.state.sheets) + 1, Adopted: a.role == stream.Specialist, Target: fix.Target,
		Cautions: a.sheetCautions(o),
	}
	if o.From != nil {
		d.Setup, d.Source, d.Limits, d.LimitsBy = o.Setup, &o.Source, o.Limits, o.LimitsBy
	}
	sheet := o.sheet()
	if v, ok := fact[vehicle](a.facts, a.state.vehicleKey()); ok && v.Dimensions != nil && *v.Dimensions != o.Dimensions {
		d.Cautions = append(d.Cautions, "dimensions-not-the-jobs")
	}
	if _, known := fact[alignment](a.facts, a.state.alignmentKey()); !known && o.setup.Line == placement.ThrustLine {
		d.Cautions = append(d.Cautions, "alignment-missing")
		if err := a.fits(sheet); err != nil {
			return stream.Decision{}, err
		}
		return a.entry(d)
	}
	plan, err := a.plan(sheet, sheet.Measure)
	if err != nil {
		return stream.Decision{}, err
	}
	d.Plan = plan
	return a.entry(d)
}

func (o sheetOrder) sheet() *Sheet {
	return &Sheet{
		From: o.From, Setup: o.Setup, Fixture: o.Fixture, Dimensions: o.Dimensions, Bay: o.Bay, Source: o.Source,
		Limits: o.Limits, LimitsBy: o.LimitsBy, Measure: o.Measure,
		positions: o.setup.Positions, line: o.setup.Line, datum: o.setup.Datum, tolerance: o.setup.Tolerance,
	}
}

// sheetCautions are what does not hold a sheet back but belongs on the record.
func (a *asked) sheetCautions(o sheetOrder) []string {
	b, _ := fact[bay](a.facts, a.state.bayKey(o.Bay))
	return floorCautions(b, a.now)
}

func floorCautions(b bay, now time.Time) []string {
	switch {
	case b.Floor == nil:
		return []string{"floor-not-surveyed"}
	case b.Expires < day(now):
		return []string{"floor-survey-expired"}
	}
	return nil
}

func applySheet(s *State, e stream.Entry) error {
	var d sheetDecided
	o := strict.Read(e.Command.Data, "")
	order, ok := readSheet(o, true).(sheetOrder)
	if err := o.Close(); err != nil || !ok {
		return fmt.Errorf("command: %w", err)
	}
	if err := parse(e, nil, &d); err != nil {
		return err
	}
	if order.From != nil && s.setUp(order.From) == nil {
		return fmt.Errorf("the procedure has no set-up %q", order.From.SetUp)
	}
	sheet := s.numbers(order).sheet()
	sheet.Number, sheet.Target, sheet.Plan, sheet.Cautions = d.Sheet, d.Target, d.Plan, d.Cautions
	sheet.By, sheet.At = e.By, e.At
	s.sheets = appended(s.sheets, *sheet)
	if d.Adopted {
		s.adopted = d.Sheet
	}
	s.place, s.listed = Place{Position: sheet.positions[0].Name, Stage: None}, len(s.steps)
	return nil
}

type adoptOrder struct {
	Sheet int `json:"sheet"`
}

func readAdopt(o *strict.Object, _ bool) any {
	return adoptOrder{Sheet: int(o.Int("sheet", 1, 1000))}
}

func decideAdopt(a *asked) (stream.Decision, error) { return a.entry(nil) }

func applyAdopted(s *State, e stream.Entry) error {
	var o adoptOrder
	if err := parse(e, &o, nil); err != nil {
		return err
	}
	s.adopted = o.Sheet
	return nil
}

// position finds a position of the sheet by name.
func (s *Sheet) position(name string) (placement.Position, bool) {
	for _, p := range s.positions {
		if p.Name == name {
			return p, true
		}
	}
	return placement.Position{}, false
}

// Positions lists the names of the sheet's positions in order.
func (s *Sheet) Positions() []string {
	names := make([]string, len(s.positions))
	for i, p := range s.positions {
		names[i] = p.Name
	}
	return names
}
