package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// MaxLive is how many readings one live message holds: those of the instruments that stand at one fixture at once.
const MaxLive = 16

// Live is the verdict over live readings laid over those that stand, or over them alone where the fixture was moved: what
// report-readings would come to with the same readings at that moment.
type Live struct {
	Position string    `json:"position"`
	Moved    bool      `json:"moved"`
	Readings []Reading `json:"readings"`
	Verdict  Verdict   `json:"verdict"`
}

var _ stream.LiveRules = Rules{}

// ReadLive reads {"readings", "moved"}; without moved the fixture was not.
func (Rules) ReadLive(data json.RawMessage) (any, error) {
	o := strict.Read(data, "")
	order := readingsOrder{
		Moved:    o.OptBool("moved", false),
		Readings: readReadings(o, "readings", o.Raw("readings"), true, 1, MaxLive),
	}
	if err := o.Close(); err != nil {
		return nil, err
	}
	return order, nil
}

// AdmitLive goes by who may report readings, and when.
func (Rules) AdmitLive(state stream.State, actor stream.Actor) error {
	_, err := rowOf("report-readings").admit(state.(*State), actor, "", nil)
	return err
}

// LiveNeeds are those of report-readings.
func (Rules) LiveNeeds(state stream.State, order any) []stream.FactKey {
	return needsReport(state.(*State), stream.Actor{}, order)
}

// Live goes through the interlocks of report-readings, then computes the verdict.
func (Rules) Live(state stream.State, actor stream.Actor, order any, facts stream.Facts, now time.Time) (any, error) {
	s, o, r := state.(*State), order.(readingsOrder), rowOf("report-readings")
	role, err := r.admit(s, actor, "", facts)
	if err != nil {
		return nil, err
	}
	a := &asked{row: r, state: s, actor: actor, role: role, data: o, facts: facts, now: now}
	if err := r.check(a); err != nil {
		return nil, err
	}
	stands := s.reported(o)
	if len(stands) > placement.MaxReadings {
		return nil, fault.Badly("readings", fmt.Sprintf("at most %d readings at one position", placement.MaxReadings))
	}
	c, result, err := a.check(readingsOf(stands), nil)
	if err != nil {
		return nil, topLevel(err)
	}
	return Live{Position: s.place.Position, Moved: o.Moved, Readings: o.Readings, Verdict: verdictOf(c, result)}, nil
}

// topLevel names a refusal's fields as a live message has them, which keeps nothing in "data".
func topLevel(err error) error {
	var f *fault.Error
	if !errors.As(err, &f) {
		return err
	}
	fields := make([]fault.Field, len(f.Fields))
	for i, field := range f.Fields {
		fields[i] = fault.Field{Name: strings.TrimPrefix(field.Name, "data."), Want: field.Want}
	}
	return fault.New(f.Slug, f.Detail, fields...).Because(f.Unwrap())
}
