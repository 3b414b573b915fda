package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
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
	_, err := rowOf("report-readings").admit(state.(*State), placing(actor), "", nil)
	return err
}

// LiveNeeds are those of report-readings, and what the register says of a gateway.
func (Rules) LiveNeeds(state stream.State, actor stream.Actor, order any) []stream.FactKey {
	keys := needsReport(state.(*State), actor, order)
	if actor.Has(stream.Gateway) {
		keys = append(keys, gatewayKey(actor))
	}
	return keys
}

// placing is in whose place readings are shown: a gateway's are its shop's technician's, who alone captures them.
func placing(actor stream.Actor) stream.Actor {
	if actor.Has(stream.Gateway) {
		actor.Roles = []stream.Role{stream.Technician}
	}
	return actor
}

func gatewayKey(actor stream.Actor) stream.FactKey {
	return registerKey(actor.Org, "interface/"+actor.Member.String())
}

// Placing is the bay in which the fixture is being placed by readings now; false if they would not be taken.
func (s *State) Placing() (bay stream.ID, ok bool) {
	sheet := s.sheet()
	if sheet == nil || s.place.Stage.still() || !slices.Contains(beforeClaim, s.phase) {
		return bay, false
	}
	return sheet.Bay, true
}

// readsHere refuses a gateway that is not in use, not this bay's, or not of these instruments, by the register.
func (s *State) readsHere(actor stream.Actor, o readingsOrder, facts stream.Facts) error {
	g, _ := fact[struct {
		Bay         *stream.ID  `json:"bay"`
		Instruments []stream.ID `json:"instruments"`
		Active      bool        `json:"active"`
	}](facts, gatewayKey(actor))
	if !g.Active || g.Bay == nil || *g.Bay != s.sheet().Bay {
		return fault.New(fault.NotMet, "The register holds no gateway in use with this id in the bay where this calibration is placed.",
			fault.Field{Name: "guard", Want: "gateway-of-bay"})
	}
	for i, r := range o.Readings {
		if !slices.Contains(g.Instruments, r.Instrument) {
			return fault.Badly(fmt.Sprintf("readings[%d].instrument", i), "one that the register says this gateway reads")
		}
	}
	return nil
}

// Live goes through the interlocks of report-readings, then computes the verdict.
func (Rules) Live(state stream.State, actor stream.Actor, order any, facts stream.Facts, now time.Time) (any, error) {
	s, o, r := state.(*State), order.(readingsOrder), rowOf("report-readings")
	from := actor
	actor = placing(from)
	role, err := r.admit(s, actor, "", facts)
	if err != nil {
		return nil, err
	}
	a := &asked{row: r, state: s, actor: actor, role: role, data: o, facts: facts, now: now}
	if err := r.check(a); err != nil {
		return nil, err
	}
	if from.Has(stream.Gateway) {
		if err := s.readsHere(from, o, facts); err != nil {
			return nil, err
		}
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
