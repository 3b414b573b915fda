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
	"readback/internal/strict"
)

// Reading is one measured value, or one that is to be measured while it has no value. Its form is that of the
// placement case file with micrometres and microdegrees; the instrument is one of the shop's register.
type Reading struct {
	Quantity     placement.Quantity `json:"quantity"`
	From         string             `json:"from,omitempty"`
	To           string             `json:"to,omitempty"`
	Instrument   stream.ID          `json:"instrument"`
	Plumbed      bool               `json:"plumbed,omitempty"`
	PointingUM   int64              `json:"pointing_um,omitempty"`
	PointingUdeg int64              `json:"pointing_udeg,omitempty"`
	ValueUM      *int64             `json:"value_um,omitempty"`
	ValueUdeg    *int64             `json:"value_udeg,omitempty"`
}

// sameAs reports whether r is the other reading taken again: what is measured and with what is the same.
func (r Reading) sameAs(other Reading) bool {
	return r.Quantity == other.Quantity && r.From == other.From && r.To == other.To &&
		r.Instrument == other.Instrument && r.Plumbed == other.Plumbed
}

// Standing is a reading that stands, and the number of the entry that reported it.
type Standing struct {
	Entry uint64 `json:"entry"`
	Reading
}

// standing lays newly reported readings over those that stand: one taken again takes the place of the older one, which
// keeps the order of the list, and so the numbers that people know the readings by.
func standing(have []Standing, reported []Reading, entry uint64) []Standing {
	out := slices.Clone(have)
	for _, r := range reported {
		next := Standing{Entry: entry, Reading: r}
		if i := slices.IndexFunc(out, func(s Standing) bool { return s.sameAs(r) }); i >= 0 {
			out[i] = next
		} else {
			out = append(out, next)
		}
	}
	return out
}

// readingsOf drops the entry numbers.
func readingsOf(list []Standing) []Reading {
	out := make([]Reading, len(list))
	for i, s := range list {
		out[i] = s.Reading
	}
	return out
}

// readReadings reads a list of readings as commands carry them. measured: each must have its value.
func readReadings(o *strict.Object, key string, raw json.RawMessage, measured bool, least, most int) []Reading {
	if raw == nil {
		return nil
	}
	var each []json.RawMessage
	if err := json.Unmarshal(raw, &each); err != nil || each == nil || len(each) < least || len(each) > most {
		o.Reject(key, fmt.Sprintf("a list of %d to %d readings", least, most))
		return nil
	}
	out := make([]Reading, len(each))
	for i, one := range each {
		path := fmt.Sprintf("%s[%d]", key, i)
		p := readPart(o, path, one, placement.DecodeReading)
		if p.Quantity == "" {
			continue
		}
		// What is not in its form is rejected above; numbers and names then fit.
		_ = json.Unmarshal(one, &out[i])
		if _, err := stream.ParseID("", p.Instrument); err != nil {
			o.Reject(path+".instrument", "the id of an instrument of the shop's register")
		}
		if _, there := p.Value(); measured && !there {
			o.Reject(path+".value_"+integerUnit(p.Quantity.Unit()), "missing: the reading")
		} else if !measured && there {
			o.Reject(path+".value_"+integerUnit(p.Quantity.Unit()), "leave it out: this is what to measure, not a reading")
		}
		for j := range i {
			if out[j].sameAs(out[i]) {
				o.Reject(path, fmt.Sprintf("a reading that is not in the list yet: %s[%d] is the same", key, j))
			}
		}
	}
	return out
}

func integerUnit(u placement.Unit) string {
	if u == placement.Deg {
		return "udeg"
	}
	return "um"
}

func readPlannedReadings(o *strict.Object) []Reading {
	return readReadings(o, "measure", o.OptRaw("measure"), false, 0, placement.MaxReadings)
}

// readPart lets package placement read a part of the case file that a command carries with integers. Faults name the
// keys as they were sent.
func readPart[T any](o *strict.Object, path string, raw json.RawMessage, decode func(json.RawMessage, string) (T, error)) (part T) {
	if raw == nil {
		return part
	}
	decimal, err := quantity.ToDecimal(raw)
	if err == nil {
		part, err = decode(decimal, path)
		err = quantity.FaultInInteger(err, "")
	} else {
		err = quantity.FaultInInteger(err, path)
	}
	var f *fault.Error
	if errors.As(err, &f) {
		for _, field := range f.Fields {
			o.Reject(field.Name, field.Want)
		}
		if len(f.Fields) == 0 {
			o.Reject(path, "an object")
		}
	}
	return part
}

type readingsOrder struct {
	Moved    bool      `json:"moved"`
	Readings []Reading `json:"readings"`
	Captured *int64    `json:"captured,omitempty"` // count of the live value that the readings were captured from
}

func readReport(o *strict.Object, _ bool) any {
	order := readingsOrder{
		Moved:    o.Bool("moved"),
		Readings: readReadings(o, "readings", o.Raw("readings"), true, 1, placement.MaxReadings),
	}
	if n, there := o.OptInt("captured", 0, largest); there {
		order.Captured = &n
	}
	return order
}

// reported are the readings that stand once the order is through.
func (s *State) reported(o readingsOrder) []Standing {
	have := s.place.Standing
	if o.Moved {
		have = nil
	}
	return standing(have, o.Readings, s.seq+1)
}

func needsReport(s *State, _ stream.Actor, data any) []stream.FactKey {
	return append(s.geometryKeys(readingsOf(s.reported(data.(readingsOrder)))), s.vehicleKey())
}

// readingsDecided says all that a reader needs of the set-up after the report: what stands and what it comes to.
type readingsDecided struct {
	Position string     `json:"position"`
	Stage    Stage      `json:"stage"`
	Stands   []Standing `json:"stands"`
	Verdict  Verdict    `json:"verdict"`
	Cautions []string   `json:"cautions,omitempty"`
}

func decideReport(a *asked) (stream.Decision, error) {
	o := a.data.(readingsOrder)
	s := a.state
	stands := s.reported(o)
	if len(stands) > placement.MaxReadings {
		return stream.Decision{}, fault.Badly("data.readings", fmt.Sprintf("at most %d readings at one position", placement.MaxReadings))
	}
	c, result, err := a.check(readingsOf(stands), nil)
	if err != nil {
		return stream.Decision{}, err
	}
	b, _ := fact[bay](a.facts, s.bayKey(s.sheet().Bay))
	d := readingsDecided{
		Position: s.place.Position, Stage: Placed, Stands: stands, Verdict: verdictOf(c, result),
		Cautions: append(floorCautions(b, a.now), a.expiredCautions()...),
	}
	if s.place.Stage == Locked && !o.Moved && d.Verdict.Verdict == VerdictWithin {
		d.Stage = Locked // measured again with the clamps tight
	}
	return a.entry(d)
}

func applyReadings(s *State, e stream.Entry) error {
	var (
		o readingsOrder
		d readingsDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	keys := s.geometryKeys(readingsOf(d.Stands))
	s.place = Place{
		Position: d.Position, Stage: d.Stage, Standing: d.Stands, Verdict: &d.Verdict,
		Relied: s.relied(keys), ReadAt: e.At,
	}
	return nil
}

// instrumentKeys names each instrument of the readings once.
func (s *State) instrumentKeys(readings []Reading) []stream.FactKey {
	var keys []stream.FactKey
	for _, r := range readings {
		keys = append(keys, s.instrumentKey(r.Instrument))
	}
	return unique(keys)
}

var instrumentsKnown = guard{"instruments-known", "every instrument is in the shop's register and in use", func(a *asked) string {
	return a.instruments(func(name string, i *instrument) string {
		switch {
		case i == nil:
			return fmt.Sprintf("The shop's register has no instrument %s. Enter it, or measure with another.", name)
		case !i.Active:
			return fmt.Sprintf("The instrument %s is out of use. Measure with another.", i.Name)
		}
		return ""
	})
}}

var instrumentsCurrent = guard{"instruments-current", "no instrument's certificate is past its due date, or the shop lets that pass as a caution", func(a *asked) string {
	late := a.overdue()
	if late == nil || a.expiry().Instruments == cautioned {
		return ""
	}
	return fmt.Sprintf("A certificate is past its due date: %s. Measure with another instrument, or enter the new certificate.", strings.Join(late, ", "))
}}

// instruments asks of each instrument that the command's readings use, those that stand included.
func (a *asked) instruments(why func(id string, i *instrument) string) string {
	var readings []Reading
	switch o := a.data.(type) {
	case sheetOrder:
		readings = o.Measure
	case readingsOrder:
		readings = readingsOf(a.state.reported(o))
	case closingOrder:
		readings = append(readingsOf(a.state.closing(o)), readingsOf(a.state.place.Standing)...)
	default: // the freeze and the two words rest on what was measured before
		readings = append(readingsOf(a.state.place.Closing), readingsOf(a.state.place.Standing)...)
	}
	for _, key := range a.state.instrumentKeys(readings) {
		i, ok := fact[instrument](a.facts, key)
		known := &i
		if !ok {
			known = nil
		}
		if text := why(strings.TrimPrefix(key.Name, "instrument/"), known); text != "" {
			return text
		}
	}
	return ""
}
