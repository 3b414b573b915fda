package register

import (
	"encoding/json"

	"readback/internal/placement"
	"readback/internal/stream"
)

// Instrument is what readings are taken with. The fact "instrument/<id>" is this without the id.
type Instrument struct {
	ID          stream.ID       `json:"-"`
	Name        string          `json:"name"`
	Instrument  json.RawMessage `json:"instrument"` // placement.Instrument in micrometres and microdegrees
	Certificate Certificate     `json:"certificate"`
	Due         string          `json:"due"` // its next check; it counts as in date through that day
	Active      bool            `json:"active"`
}

// Certificate is the evidence of an instrument's last check.
type Certificate struct {
	Number string `json:"number"`
	Dated  string `json:"dated"`
}

type newInstrument struct {
	ID          stream.ID       `json:"id"`
	Name        string          `json:"name"`
	Instrument  json.RawMessage `json:"instrument"`
	Certificate Certificate     `json:"certificate"`
	Due         string          `json:"due"`
}

func readInstrument(in intake) newInstrument {
	certificate, due := checkOf(in)
	return newInstrument{
		ID: in.newcomer(), Name: in.String("name", 60), Instrument: measured(in, "instrument", placement.DecodeInstrument),
		Certificate: certificate, Due: due,
	}
}

// checkOf reads a certificate and when the next one is due.
func checkOf(in intake) (Certificate, string) {
	inside := intake{Object: in.Object.Object("certificate")}
	c := Certificate{Number: inside.String("number", 60), Dated: inside.date("dated")}
	due := in.date("due")
	in.ordered(c.Dated, due, "due", "a day after that of the certificate")
	return c, due
}

func (s *State) checkInstrument(g given[newInstrument]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	if err := nameFree(s.instruments, g.data.Name, g.data.ID, "name", theInstrument); err != nil {
		return err
	}
	return notYet("certificate.dated", g.data.Certificate.Dated, g.now)
}

func (s *State) addInstrument(d newInstrument) error {
	i := Instrument{ID: d.ID, Name: d.Name, Instrument: d.Instrument, Certificate: d.Certificate, Due: d.Due, Active: true}
	s.instruments = s.instruments.with(d.ID, i, s.seq)
	return nil
}

type instrumentChange struct {
	ID         stream.ID       `json:"id"`
	Name       *string         `json:"name,omitempty"`
	Instrument json.RawMessage `json:"instrument,omitempty"`
}

// readInstrumentChange reads a change that comes without a new certificate; with one it is a renewal.
func readInstrumentChange(in intake) instrumentChange {
	d := instrumentChange{ID: in.id("id"), Name: in.maybe("name", 60)}
	if in.Has("instrument") {
		d.Instrument = measured(in, "instrument", placement.DecodeInstrument)
	}
	in.some("name", "instrument")
	return d
}

func (d instrumentChange) of(i Instrument) Instrument {
	i.Name = or(d.Name, i.Name)
	if d.Instrument != nil {
		i.Instrument = d.Instrument
	}
	return i
}

func (s *State) checkInstrumentChange(g given[instrumentChange]) error {
	return changeable(s.instruments, g.data.ID, "name", theInstrument, g.data.of)
}

func (s *State) changeInstrument(d instrumentChange) error {
	s.instruments = s.instruments.with(d.ID, d.of(s.instruments[d.ID].value), s.seq)
	return nil
}

type renewal struct {
	Instrument  stream.ID   `json:"instrument"`
	Certificate Certificate `json:"certificate"`
	Due         string      `json:"due"`
}

func readRenewal(in intake) renewal {
	certificate, due := checkOf(in)
	return renewal{Instrument: in.id("instrument"), Certificate: certificate, Due: due}
}

func (s *State) checkRenewal(g given[renewal]) error {
	if err := known(s.instruments, g.data.Instrument, "instrument", theInstrument); err != nil {
		return err
	}
	return notYet("certificate.dated", g.data.Certificate.Dated, g.now)
}

func (s *State) renewInstrument(d renewal) error {
	i := s.instruments[d.Instrument].value
	i.Certificate, i.Due = d.Certificate, d.Due
	s.instruments = s.instruments.with(d.Instrument, i, s.seq)
	return nil
}
