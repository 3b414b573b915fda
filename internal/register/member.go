package register

import (
	"encoding/json"
	"slices"
	"strconv"

	"readback/internal/dispatch"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// Member is one person. The fact "member/<id>" is this without the id.
type Member struct {
	ID          stream.ID     `json:"-"`
	Name        stream.Sealed `json:"name"`
	Roles       []stream.Role `json:"roles"`
	Competences []Competence  `json:"competences"`         // one per sensor kind, in the order first granted
	Languages   []string      `json:"languages,omitempty"` // spoken with shops; none: not said
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
	m.Roles, m.Competences, m.Languages = slices.Clone(m.Roles), slices.Clone(m.Competences), slices.Clone(m.Languages)
	return m
}

type newMember struct {
	ID    stream.ID       `json:"id"`
	Name  json.RawMessage `json:"name"` // plain until it is sealed
	Roles []stream.Role   `json:"roles"`

	Languages []string `json:"languages,omitempty"`
}

func readMember(in intake) newMember {
	m := newMember{ID: in.newcomer(), Name: in.personal("name", 120), Roles: in.roles()}
	if in.Has("languages") {
		m.Languages = in.languages(1)
	}
	return m
}

// languages reads primary language subtags (BCP 47), such as "de", each once.
func (in intake) languages(least int) []string {
	list := in.Strings("languages", least, 8, 3)
	for i := range list {
		if !dispatch.IsLanguage(list, i) {
			in.Reject("languages["+strconv.Itoa(i)+"]", dispatch.LanguageWanted)
		}
	}
	return list
}

func (in intake) roles() []stream.Role {
	roles := []stream.Role{}
	for i, text := range in.Strings("roles", 1, 3, 20) {
		role := stream.Role(text)
		if role != stream.Technician && role != stream.Specialist && role != stream.Owner || slices.Contains(roles, role) {
			in.Reject("roles["+strconv.Itoa(i)+"]", "technician, specialist or owner, each once")
		}
		roles = append(roles, role)
	}
	return roles
}

func (s *State) checkMember(g given[newMember]) error { return s.taken(g.data.ID) }

func (s *State) addMember(d newMember) error {
	name, err := stream.ReadSealed(d.Name)
	if err != nil {
		return err
	}
	m := Member{ID: d.ID, Name: name, Roles: d.Roles, Competences: []Competence{}, Languages: d.Languages, Active: true}
	s.members = s.members.with(d.ID, m, s.seq)
	return nil
}

type memberChange struct {
	ID    stream.ID       `json:"id"`
	Name  json.RawMessage `json:"name,omitempty"` // plain until it is sealed
	Roles []stream.Role   `json:"roles,omitempty"`

	Languages *[]string `json:"languages,omitempty"` // all of them; an empty list takes them away
}

func readMemberChange(in intake) memberChange {
	d := memberChange{ID: in.id("id")}
	if in.Has("name") {
		d.Name = in.personal("name", 120)
	}
	if in.Has("roles") {
		d.Roles = in.roles()
	}
	if in.Has("languages") {
		list := in.languages(0)
		d.Languages = &list
	}
	in.some("name", "roles", "languages")
	return d
}

func (d memberChange) of(m Member) (Member, error) {
	if d.Name != nil {
		name, err := stream.ReadSealed(d.Name)
		if err != nil {
			return m, err
		}
		m.Name = name
	}
	if d.Roles != nil {
		m.Roles = d.Roles
	}
	if d.Languages != nil {
		m.Languages = *d.Languages
	}
	return m, nil
}

func (s *State) checkMemberChange(g given[memberChange]) error {
	if err := known(s.members, g.data.ID, "id", "member"); err != nil {
		return err
	}
	was := s.members[g.data.ID].value
	next, err := g.data.of(was)
	switch {
	case err != nil:
		return err
	case alike(was, next):
		return unchanged()
	case !next.owns():
		return s.anotherOwner(g.data.ID)
	}
	return nil
}

func (s *State) changeMember(d memberChange) error {
	m, err := d.of(s.members[d.ID].value)
	if err != nil {
		return err
	}
	s.members = s.members.with(d.ID, m, s.seq)
	return nil
}

// anotherOwner refuses to take away the last owner: nobody could keep the register any more.
func (s *State) anotherOwner(than stream.ID) error {
	if !s.members[than].value.owns() {
		return nil
	}
	for id, m := range s.members {
		if id != than && m.value.owns() {
			return nil
		}
	}
	return fault.New(fault.NotMet, "This is the last owner: without one nobody could keep the register. Add another owner first.",
		fault.Field{Name: "guard", Want: "another-owner"})
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

func (s *State) checkCompetence(g given[grant]) error {
	return known(s.members, g.data.Member, "member", "member")
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

type revocation struct {
	Member stream.ID `json:"member"`
	Sensor string    `json:"sensor"`
}

func readRevocation(in intake) revocation {
	return revocation{Member: in.id("member"), Sensor: in.Enum("sensor", vehicle.Sensors()...)}
}

// of says whether the competence is the one taken away.
func (d revocation) of(c Competence) bool { return c.Sensor == d.Sensor }

func (s *State) checkRevocation(g given[revocation]) error {
	if err := known(s.members, g.data.Member, "member", "member"); err != nil {
		return err
	}
	if !slices.ContainsFunc(s.members[g.data.Member].value.Competences, g.data.of) {
		return fault.New(fault.NotHere, "The member has no competence for this kind of sensor.",
			fault.Field{Name: "data.sensor", Want: "a kind of sensor that the member has a competence for"})
	}
	return nil
}

func (s *State) revokeCompetence(d revocation) error {
	m := s.members[d.Member].value.copied()
	m.Competences = slices.DeleteFunc(m.Competences, d.of)
	s.members = s.members.with(d.Member, m, s.seq)
	return nil
}

type leaver struct {
	Member stream.ID `json:"member"`
}

func readRetireMember(in intake) leaver { return leaver{Member: in.id("member")} }

func (s *State) checkRetireMember(g given[leaver]) error {
	if err := known(s.members, g.data.Member, "member", "member"); err != nil {
		return err
	}
	return s.anotherOwner(g.data.Member)
}

func (s *State) retireMember(d leaver) error {
	m := s.members[d.Member].value
	m.Active = false
	s.members = s.members.with(d.Member, m, s.seq)
	return nil
}
