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
		s.bays = retired(s, s.bays, d.ID, func(b *Bay) *bool { return &b.Active })
	case theInstrument:
		s.instruments = retired(s, s.instruments, d.ID, func(i *Instrument) *bool { return &i.Active })
	case theFixture:
		s.fixtures = retired(s, s.fixtures, d.ID, func(f *Fixture) *bool { return &f.Active })
	case theDimensions:
		s.dimensions = retired(s, s.dimensions, d.ID, func(d *Dimensions) *bool { return &d.Active })
	case theProcedure:
		s.procedures = retired(s, s.procedures, d.ID, func(p *Procedure) *bool { return &p.Active })
	case theWebhook:
		s.webhooks = retired(s, s.webhooks, d.ID, func(w *Webhook) *bool { return &w.Active })
	case theInterface:
		s.interfaces = retired(s, s.interfaces, d.ID, func(i *Interface) *bool { return &i.Active })
	}
	return nil
}

// retired is the shelf with the thing out of use from the entry being applied on.
func retired[T any](s *State, on shelf[T], id stream.ID, active func(*T) *bool) shelf[T] {
	thing := on[id].value
	*active(&thing) = false
	return on.with(id, thing, s.seq)
}
