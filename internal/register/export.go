package register

import (
	"bytes"
	"encoding/json"
	"fmt"

	"readback/internal/dispatch"
	"readback/internal/fault"
	"readback/internal/quantity"
	"readback/internal/stream"
)

// exported is the import document as Export writes it (docs/import.md), with every id and without passwords.
type exported struct {
	Format       string             `json:"format"`
	Organisation organisationListed `json:"organisation"`
	Members      []memberListed     `json:"members,omitempty"`
	Bays         []bayListed        `json:"bays,omitempty"`
	Instruments  []instrumentListed `json:"instruments,omitempty"`
	Fixtures     []fixtureListed    `json:"fixtures,omitempty"`
	Dimensions   []dimensionsListed `json:"dimensions,omitempty"`
	Procedures   []procedureListed  `json:"procedures,omitempty"`
	Agreements   []agreementListed  `json:"agreements,omitempty"`
	Hours        *dispatch.Hours    `json:"hours,omitempty"`
}

type organisationListed struct {
	ID      stream.ID `json:"id"`
	Name    string    `json:"name"`
	Sort    Sort      `json:"sort"`
	Phone   string    `json:"phone,omitempty"`
	Expired Expired   `json:"expired,omitzero"`
}

type memberListed struct {
	ID          stream.ID     `json:"id"`
	Name        string        `json:"name"`
	Roles       []stream.Role `json:"roles"`
	Competences []Competence  `json:"competences,omitempty"`
	Languages   []string      `json:"languages,omitempty"`
	Retired     bool          `json:"retired,omitempty"`
}

type bayListed struct {
	ID       stream.ID       `json:"id"`
	Name     string          `json:"name"`
	Size     *sizeListed     `json:"size_mm,omitempty"`
	Floor    json.RawMessage `json:"floor,omitempty"`
	Surveyed string          `json:"surveyed,omitempty"`
	Expires  string          `json:"expires,omitempty"`
	Retired  bool            `json:"retired,omitempty"`
}

// sizeListed is in millimetres. A bay's few micrometres are exact as decimals in a float64.
type sizeListed struct {
	Length float64 `json:"length"`
	Width  float64 `json:"width"`
}

type instrumentListed struct {
	ID          stream.ID       `json:"id"`
	Name        string          `json:"name"`
	Instrument  json.RawMessage `json:"instrument"`
	Certificate Certificate     `json:"certificate"`
	Due         string          `json:"due"`
	Retired     bool            `json:"retired,omitempty"`
}

type fixtureListed struct {
	ID      stream.ID       `json:"id"`
	Name    string          `json:"name"`
	Target  string          `json:"target"`
	Fixture json.RawMessage `json:"fixture"`
	Retired bool            `json:"retired,omitempty"`
}

type dimensionsListed struct {
	ID      stream.ID       `json:"id"`
	Type    string          `json:"type"`
	Vehicle json.RawMessage `json:"vehicle"`
	Source  string          `json:"source"`
	Retired bool            `json:"retired,omitempty"`
}

type agreementListed struct {
	Desk  stream.ID `json:"desk"`
	Ended bool      `json:"ended,omitempty"`
}

// Export writes the whole register as it stands as an import document: decimals, every id, the retired and the ended as
// such, everything in the order of the ids. Imported, it makes a register that gives the same facts. It holds no passwords,
// and people's names in plain text, which open gives; a name that does not open any more is refused.
func Export(s *State, open func(stream.Sealed) (string, bool)) ([]byte, error) {
	if !s.opened() {
		return nil, fault.New(fault.NotHere, "This organisation is not opened.")
	}
	o := s.organisation
	doc := exported{Format: Format, Organisation: organisationListed{s.id, o.Name, o.Sort, o.Phone, o.Expired}}
	for _, m := range s.members.all() {
		name, ok := open(m.Name)
		if !ok {
			return nil, fault.New(fault.NotHere, fmt.Sprintf("The name of member %s does not open any more: its key is not there.", m.ID))
		}
		doc.Members = append(doc.Members, memberListed{m.ID, name, m.Roles, m.Competences, m.Languages, !m.Active})
	}
	var err error
	decimal := func(whole json.RawMessage) json.RawMessage {
		if whole == nil || err != nil {
			return nil
		}
		var out json.RawMessage
		out, err = quantity.ToDecimal(whole)
		return out
	}
	for _, b := range s.bays.all() {
		var size *sizeListed
		if b.Size != nil {
			size = &sizeListed{float64(b.Size.Length) / 1000, float64(b.Size.Width) / 1000}
		}
		doc.Bays = append(doc.Bays, bayListed{b.ID, b.Name, size, decimal(b.Floor), b.Surveyed, b.Expires, !b.Active})
	}
	for _, i := range s.instruments.all() {
		doc.Instruments = append(doc.Instruments, instrumentListed{i.ID, i.Name, decimal(i.Instrument), i.Certificate, i.Due, !i.Active})
	}
	for _, f := range s.fixtures.all() {
		doc.Fixtures = append(doc.Fixtures, fixtureListed{f.ID, f.Name, f.Target, decimal(f.Fixture), !f.Active})
	}
	for _, d := range s.dimensions.all() {
		doc.Dimensions = append(doc.Dimensions, dimensionsListed{d.ID, d.Type, decimal(d.Vehicle), d.Source, !d.Active})
	}
	for _, p := range s.procedures.all() {
		listed, err := p.listed()
		if err != nil {
			return nil, err
		}
		doc.Procedures = append(doc.Procedures, listed)
	}
	for _, a := range s.agreements.all() {
		doc.Agreements = append(doc.Agreements, agreementListed(a))
	}
	if s.hoursAt > 0 {
		doc.Hours = &s.hours
	}
	if err != nil {
		return nil, fmt.Errorf("write decimals: %w", err)
	}
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false) // it is not for a page
	e.SetIndent("", "  ")
	if err := e.Encode(doc); err != nil {
		return nil, fmt.Errorf("write the document: %w", err)
	}
	return out.Bytes(), nil
}
