package calibration

import (
	"encoding/json"
	"fmt"

	"readback/internal/stream"
	"readback/internal/strict"
)

type openOrder struct {
	Job    stream.ID `json:"job"`
	Sensor string    `json:"sensor"`

	Procedure *procedureOrder `json:"procedure,omitempty"` // nil: the gates that are common practice
}

func readOpen(o *strict.Object, _ bool) any {
	return openOrder{Job: readID(o, "job"), Sensor: o.Enum("sensor", Sensors()...), Procedure: readProcedureOrder(o)}
}

func needsOpen(_ *State, actor stream.Actor, data any) []stream.FactKey {
	o := data.(openOrder)
	keys := []stream.FactKey{jobKey(o.Job, "vehicle"), organisationKey(actor.Org)}
	if o.Procedure != nil {
		keys = append(keys, o.Procedure.needs(actor.Org)...)
	}
	return keys
}

// openedDecided is the list of gates as it stood when the calibration was opened: a later release, or a later version of
// the procedure, may ask others.
type openedDecided struct {
	Gates     []Asked `json:"gates"`
	Procedure *Method `json:"procedure,omitempty"`
}

func decideOpen(a *asked) (stream.Decision, error) {
	o := a.data.(openOrder)
	if o.Procedure != nil {
		p, method, err := o.Procedure.method(a.facts)
		if err != nil {
			return stream.Decision{}, err
		}
		return a.entry(openedDecided{Gates: askedBy(p), Procedure: method})
	}
	gates, _ := Gates(o.Sensor) // read by Sensors, which lists those that have gates
	return a.entry(openedDecided{Gates: gates})
}

func applyOpened(s *State, e stream.Entry) error {
	var (
		o openOrder
		d openedDecided
	)
	if err := parse(e, &o, &d); err != nil {
		return err
	}
	s.opened, s.shop, s.job, s.sensor, s.phase = e.At, e.By.Org, o.Job, o.Sensor, Preparing
	for _, g := range d.Gates {
		s.gates = append(s.gates, Gate{Asked: g})
	}
	if d.Procedure == nil {
		return nil
	}
	p, _, err := o.Procedure.method(s.held)
	s.method, s.procedure = d.Procedure, p
	return err
}

func readNothing(*strict.Object, bool) any { return nil }

// readID reads a required id.
func readID(o *strict.Object, key string) stream.ID {
	text := o.String(key, 36)
	if text == "" {
		return stream.ID{}
	}
	id, err := stream.ParseID(key, text)
	if err != nil {
		o.Reject(key, "a UUID of 36 characters in lower case")
	}
	return id
}

// maxText is how long free text may be, in characters.
const maxText = 2000

// freeText reads a required text of people's own words: plain as it is sent, sealed as it is decided and stored.
func freeText(o *strict.Object, key string, sealed bool) (s stream.Sealed) {
	if !sealed {
		if o.Text(key, maxText) == "" && o.Has(key) {
			o.Reject(key, fmt.Sprintf("a text of 1 to %d characters", maxText))
		}
		return s
	}
	in := o.Object(key).Object("sealed")
	s.Sealed.K, s.Sealed.V = readID(in, "k"), in.String("v", 8*maxText)
	return s
}

// optFreeText is freeText for a key that may be absent.
func optFreeText(o *strict.Object, key string, sealed bool) *stream.Sealed {
	if !o.Has(key) {
		return nil
	}
	s := freeText(o, key, sealed)
	return &s
}

// parse reads an entry's command and what was decided on it.
func parse(e stream.Entry, command, decided any) error {
	if command != nil {
		if err := json.Unmarshal(e.Command.Data, command); err != nil {
			return fmt.Errorf("command: %w", err)
		}
	}
	if decided != nil {
		if err := json.Unmarshal(e.Decided, decided); err != nil {
			return fmt.Errorf("decided: %w", err)
		}
	}
	return nil
}
