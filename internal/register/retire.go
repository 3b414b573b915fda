package register

import "readback/internal/stream"

// The kinds of thing that are retired by one command. People are retired by another, which looks after the last owner.
const (
	theBay        = "bay"
	theInstrument = "instrument"
	theFixture    = "fixture"
	theDimensions = "dimensions"
	theProcedure  = "procedure"
	theWebhook    = "webhook"
	theInterface  = "interface"
)

// theSheet is what sentences call dimensions.
const theSheet = "dimension sheet"

type retirement struct {
	Kind string    `json:"kind"`
	ID   stream.ID `json:"id"`
}

func readRetirement(in intake) retirement {
	return retirement{Kind: in.Enum("kind", theBay, theInstrument, theFixture, theDimensions, theProcedure, theWebhook, theInterface), ID: in.id("id")}
}

func (s *State) checkRetirement(g given[retirement]) error {
	switch g.data.Kind {
	case theBay:
		return known(s.bays, g.data.ID, "id", theBay)
	case theInstrument:
		return known(s.instruments, g.data.ID, "id", theInstrument)
	case theFixture:
		return known(s.fixtures, g.data.ID, "id", theFixture)
	case theProcedure:
		return known(s.procedures, g.data.ID, "id", theProcedure)
	case theWebhook:
		return known(s.webhooks, g.data.ID, "id", theWebhook)
	case theInterface:
		return known(s.interfaces, g.data.ID, "id", theInterface)
	}
	return known(s.dimensions, g.data.ID, "id", theSheet)
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
	case theProcedure:
		p := s.procedures[d.ID].value
		p.Active = false
		s.procedures = s.procedures.with(d.ID, p, s.seq)
	case theWebhook:
		w := s.webhooks[d.ID].value
		w.Active = false
		s.webhooks = s.webhooks.with(d.ID, w, s.seq)
	case theInterface:
		i := s.interfaces[d.ID].value
		i.Active = false
		s.interfaces = s.interfaces.with(d.ID, i, s.seq)
	}
	return nil
}
