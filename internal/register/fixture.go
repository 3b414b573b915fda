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
	f := newFixture{
		ID: in.newcomer(), Name: in.String("name", 60), Target: in.String("target", 40),
		Fixture: measured(in, "fixture", placement.DecodeFixture),
	}
	if !printed(f.Target) {
		in.Reject("target", "the id on the target: letters, digits and - . _ / only")
	}
	return f
}

func (s *State) checkFixture(g given[newFixture]) error { return s.taken(g.data.ID) }

func (s *State) addFixture(d newFixture) error {
	f := Fixture{ID: d.ID, Name: d.Name, Target: d.Target, Fixture: d.Fixture, Active: true}
	s.fixtures = s.fixtures.with(d.ID, f, s.seq)
	return nil
}
