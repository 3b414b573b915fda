package register

import "readback/internal/stream"

// Interface is a device that is plugged into cars and announces them. The fact "interface/<id>" is this without the id. The
// token that it signs in with is not here: it is made when it is asked for, and only its hash is kept, apart.
type Interface struct {
	ID     stream.ID  `json:"-"`
	Name   string     `json:"name"`
	Bay    *stream.ID `json:"bay,omitempty"` // where it is kept; absent if it goes around
	Active bool       `json:"active"`
}

type newInterface struct {
	ID   stream.ID  `json:"id"`
	Name string     `json:"name"`
	Bay  *stream.ID `json:"bay,omitempty"`
}

func readInterface(in intake) newInterface {
	return newInterface{ID: in.newcomer(), Name: in.String("name", 60), Bay: in.optID("bay")}
}

// optID reads an id that may be left out.
func (in intake) optID(key string) *stream.ID {
	if !in.Has(key) {
		return nil
	}
	id := in.id(key)
	return &id
}

func (s *State) checkInterface(g given[newInterface]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	if err := s.bayOf(g.data.Bay); err != nil {
		return err
	}
	return nameFree(s.interfaces, g.data.Name, g.data.ID, "name", theInterface)
}

// bayOf refuses a bay that is not one in use; none is fine.
func (s *State) bayOf(bay *stream.ID) error {
	if bay == nil {
		return nil
	}
	return known(s.bays, *bay, "bay", theBay)
}

func (s *State) addInterface(d newInterface) error {
	s.interfaces = s.interfaces.with(d.ID, Interface{ID: d.ID, Name: d.Name, Bay: d.Bay, Active: true}, s.seq)
	return nil
}

type interfaceChange struct {
	ID   stream.ID  `json:"id"`
	Name *string    `json:"name,omitempty"`
	Bay  *stream.ID `json:"bay,omitempty"`
}

func readInterfaceChange(in intake) interfaceChange {
	d := interfaceChange{ID: in.id("id"), Name: in.maybe("name", 60), Bay: in.optID("bay")}
	in.some("name", "bay")
	return d
}

func (d interfaceChange) of(i Interface) Interface {
	i.Name = or(d.Name, i.Name)
	if d.Bay != nil {
		i.Bay = d.Bay
	}
	return i
}

func (s *State) checkInterfaceChange(g given[interfaceChange]) error {
	if err := s.bayOf(g.data.Bay); err != nil {
		return err
	}
	return changeable(s.interfaces, g.data.ID, "name", theInterface, g.data.of)
}

func (s *State) changeInterface(d interfaceChange) error {
	s.interfaces = s.interfaces.with(d.ID, d.of(s.interfaces[d.ID].value), s.seq)
	return nil
}

// Interfaces lists the vehicle interfaces, the retired too, in order of their ids.
func (s *State) Interfaces() []Interface { return s.interfaces.all() }

// Interface is one of them.
func (s *State) Interface(id stream.ID) (Interface, bool) {
	k, ok := s.interfaces[id]
	return k.value, ok
}
