package register

import (
	"encoding/json"
	"slices"
	"strconv"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// Member is one person. The fact "member/<id>" is this without the id.
type Member struct {
	ID          stream.ID     `json:"-"`
	Name        stream.Sealed `json:"name"`
	Roles       []stream.Role `json:"roles"`
	Competences []Competence  `json:"competences"` // one per sensor kind, in the order first granted
	Active      bool          `json:"active"`
}

// Competence is a proof of competence for one kind of sensor. It counts through the whole day it expires on.
type Competence struct {
	Sensor  string `json:"sensor"`
	Expires string `json:"expires"`         // a day, 2027-03-31
	Proof   string `json:"proof,omitempty"` // the number on the proof
}

func (m Member) owns() bool { return m.Active && slices.Contains(m.Roles, stream.Owner) }

func (m Member) copied() Member {
	m.Roles, m.Competences = slices.Clone(m.Roles), slices.Clone(m.Competences)
	return m
}

type newMember struct {
	ID    stream.ID       `json:"id"`
	Name  json.RawMessage `json:"name"` // plain until it is sealed
	Roles []stream.Role   `json:"roles"`
}

func readMember(in intake) newMember {
	m := newMember{ID: in.newcomer(), Name: in.personal("name", 120), Roles: []stream.Role{}}
	for i, text := range in.Strings("roles", 1, 3, 20) {
		role := stream.Role(text)
		if role != stream.Technician && role != stream.Specialist && role != stream.Owner || slices.Contains(m.Roles, role) {
			in.Reject("roles["+strconv.Itoa(i)+"]", "technician, specialist or owner, each once")
		}
		m.Roles = append(m.Roles, role)
	}
	return m
}

func (s *State) checkMember(g given[newMember]) error { return s.taken(g.data.ID) }

func (s *State) addMember(d newMember) error {
	name, err := unsealed(d.Name)
	if err != nil {
		return err
	}
	m := Member{ID: d.ID, Name: name, Roles: d.Roles, Competences: []Competence{}, Active: true}
	s.members = s.members.with(d.ID, m, s.seq)
	return nil
}

type grant struct {
	Member stream.ID `json:"member"`
	Competence
}

func readCompetence(in intake) grant {
	return grant{Member: in.id("member"), Competence: competenceOf(in)}
}

// competenceOf reads a competence without whose it is. The number of the proof stands open, so its form leaves no room
// for a name.
func competenceOf(in intake) Competence {
	c := Competence{Sensor: in.Enum("sensor", vehicle.Sensors()...), Expires: in.date("expires")}
	if c.Proof = in.OptString("proof", 40); !printed(c.Proof) {
		in.Reject("proof", "the number on the proof: letters, digits and - . _ / only")
	}
	return c
}

func (s *State) checkCompetence(g given[grant]) error { return s.inUse(g.data.Member) }

// inUse refuses a member who is not there or retired.
func (s *State) inUse(member stream.ID) error {
	m, ok := s.members[member]
	switch {
	case !ok:
		return missing("member", "member")
	case !m.value.Active:
		return gone("member", "member")
	}
	return nil
}

// grantCompetence lets the newest proof for a sensor stand, also if it expires earlier than the one before.
func (s *State) grantCompetence(d grant) error {
	m := s.members[d.Member].value.copied()
	at := slices.IndexFunc(m.Competences, func(have Competence) bool { return have.Sensor == d.Sensor })
	if at < 0 {
		m.Competences = append(m.Competences, d.Competence)
	} else {
		m.Competences[at] = d.Competence
	}
	s.members = s.members.with(d.Member, m, s.seq)
	return nil
}

type leaver struct {
	Member stream.ID `json:"member"`
}

func readRetireMember(in intake) leaver { return leaver{Member: in.id("member")} }

func (s *State) checkRetireMember(g given[leaver]) error {
	if err := s.inUse(g.data.Member); err != nil {
		return err
	}
	if !s.members[g.data.Member].value.owns() {
		return nil
	}
	for id, m := range s.members {
		if id != g.data.Member && m.value.owns() {
			return nil
		}
	}
	return fault.New(fault.NotMet, "This is the last owner: without one nobody could keep the register. Add another owner first.",
		fault.Field{Name: "guard", Want: "another-owner"})
}

func (s *State) retireMember(d leaver) error {
	m := s.members[d.Member].value
	m.Active = false
	s.members = s.members.with(d.Member, m, s.seq)
	return nil
}
