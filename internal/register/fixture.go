package register

import (
	"encoding/json"

	"readback/internal/placement"
	"readback/internal/stream"
)

// Fixture is a stand with the target it carries. The fact "fixture/<id>" is this without the id.
type Fixture struct {
	ID      stream.ID       `json:"-"`
	Name    string          `json:"name"`
	Target  string          `json:"target"`  // the id printed on the target, as it is read back
	Fixture json.RawMessage `json:"fixture"` // placement.Fixture in micrometres
	Active  bool            `json:"active"`
}

type newFixture struct {
	ID      stream.ID       `json:"id"`
	Name    string          `json:"name"`
	Target  string          `json:"target"`
	Fixture json.RawMessage `json:"fixture"`
}

func readFixture(in intake) newFixture {
	return newFixture{
		ID: in.newcomer(), Name: in.String("name", 60), Target: in.target(),
		Fixture: measured(in, "fixture", placement.DecodeFixture),
	}
}

func (in intake) target() string {
	target := in.String("target", 40)
	if !printed(target) {
		in.Reject("target", "the id on the target: letters, digits and - . _ / only")
	}
	return target
}

func (s *State) checkFixture(g given[newFixture]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	return nameFree(s.fixtures, g.data.Name, g.data.ID, "name", theFixture)
}

func (s *State) addFixture(d newFixture) error {
	f := Fixture{ID: d.ID, Name: d.Name, Target: d.Target, Fixture: d.Fixture, Active: true}
	s.fixtures = s.fixtures.with(d.ID, f, s.seq)
	return nil
}

type fixtureChange struct {
	ID      stream.ID       `json:"id"`
	Name    *string         `json:"name,omitempty"`
	Target  *string         `json:"target,omitempty"`
	Fixture json.RawMessage `json:"fixture,omitempty"`
}

func readFixtureChange(in intake) fixtureChange {
	d := fixtureChange{ID: in.id("id"), Name: in.maybe("name", 60)}
	if in.Has("target") {
		target := in.target()
		d.Target = &target
	}
	if in.Has("fixture") {
		d.Fixture = measured(in, "fixture", placement.DecodeFixture)
	}
	in.some("name", "target", "fixture")
	return d
}

func (d fixtureChange) of(f Fixture) Fixture {
	f.Name, f.Target = or(d.Name, f.Name), or(d.Target, f.Target)
	if d.Fixture != nil {
		f.Fixture = d.Fixture
	}
	return f
}

func (s *State) checkFixtureChange(g given[fixtureChange]) error {
	return changeable(s.fixtures, g.data.ID, "name", theFixture, g.data.of)
}

func (s *State) changeFixture(d fixtureChange) error {
	s.fixtures = s.fixtures.with(d.ID, d.of(s.fixtures[d.ID].value), s.seq)
	return nil
}
