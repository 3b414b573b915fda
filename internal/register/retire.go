package register

import "readback/internal/stream"

// The kinds of thing that are retired by one command. People are retired by another, which looks after the last owner.
const (
	theBay        = "bay"
	theInstrument = "instrument"
	theFixture    = "fixture"
	theDimensions = "dimensions"
)

type retirement struct {
	Kind string    `json:"kind"`
	ID   stream.ID `json:"id"`
}

func readRetirement(in intake) retirement {
	return retirement{Kind: in.Enum("kind", theBay, theInstrument, theFixture, theDimensions), ID: in.id("id")}
}

func (s *State) checkRetirement(g given[retirement]) error {
	active, ok := false, false
	switch g.data.Kind {
	case theBay:
		k, there := s.bays[g.data.ID]
		active, ok = k.value.Active, there
	case theInstrument:
		k, there := s.instruments[g.data.ID]
		active, ok = k.value.Active, there
	case theFixture:
		k, there := s.fixtures[g.data.ID]
		active, ok = k.value.Active, there
	case theDimensions:
		k, there := s.dimensions[g.data.ID]
		active, ok = k.value.Active, there
	}
	switch {
	case !ok:
		return missing("id", g.data.Kind)
	case !active:
		return gone("id", g.data.Kind)
	}
	return nil
}

func (s *State) retire(d retirement) error {
	switch d.Kind {
	case theBay:
		b := s.bays[d.ID].value
		b.Active = false
		s.bays = s.bays.with(d.ID, b, s.seq)
	case theInstrument:
		i := s.instruments[d.ID].value
		i.Active = false
		s.instruments = s.instruments.with(d.ID, i, s.seq)
	case theFixture:
		f := s.fixtures[d.ID].value
		f.Active = false
		s.fixtures = s.fixtures.with(d.ID, f, s.seq)
	case theDimensions:
		sheet := s.dimensions[d.ID].value
		sheet.Active = false
		s.dimensions = s.dimensions.with(d.ID, sheet, s.seq)
	}
	return nil
}
