package register

import (
	"encoding/json"
	"fmt"
	"slices"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Interface is a device of the shop's with a token of its own. One without instruments is a vehicle interface: it is plugged
// into cars and announces them. One with instruments is an instrument gateway: it shows what these read in its bay. The fact
// "interface/<id>" is this without the id. The token that it signs in with is not here: it is made when it is asked for, and
// only its hash is kept, apart.
type Interface struct {
	ID          stream.ID   `json:"-"`
	Name        string      `json:"name"`
	Bay         *stream.ID  `json:"bay,omitempty"` // where it is kept; absent if it goes around, as no gateway does
	Instruments []stream.ID `json:"instruments,omitempty"`
	Active      bool        `json:"active"`
}

// Gateway reports whether it shows what instruments read, and does not announce cars.
func (i Interface) Gateway() bool { return len(i.Instruments) > 0 }

// mostInstruments is how many one gateway reads: as many readings as one live message holds.
const mostInstruments = 16

type newInterface struct {
	ID          stream.ID   `json:"id"`
	Name        string      `json:"name"`
	Bay         *stream.ID  `json:"bay,omitempty"`
	Instruments []stream.ID `json:"instruments,omitempty"`
}

func readInterface(in intake) newInterface {
	d := newInterface{ID: in.newcomer(), Name: in.String("name", 60), Bay: in.optID("bay"), Instruments: in.instruments()}
	if d.Instruments != nil && !in.Has("bay") {
		in.Reject("bay", "missing: the bay whose instruments it reads")
	}
	return d
}

// instruments reads which ones a gateway reads; without the key it is none.
func (in intake) instruments() []stream.ID {
	raw := in.OptRaw("instruments")
	if raw == nil {
		return nil
	}
	var texts []string
	if err := json.Unmarshal(raw, &texts); err != nil || len(texts) < 1 || len(texts) > mostInstruments {
		in.Reject("instruments", fmt.Sprintf("a list of 1 to %d ids of instruments", mostInstruments))
		return nil
	}
	ids := make([]stream.ID, len(texts))
	for i, text := range texts {
		path := fmt.Sprintf("instruments[%d]", i)
		id, err := stream.ParseID(path, text)
		switch {
		case err != nil:
			in.Reject(path, fault.Of(err).Fields[0].Want)
		case slices.Contains(ids[:i], id):
			in.Reject(path, "an instrument that is not in the list yet")
		}
		ids[i] = id
	}
	return ids
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
	if err := s.instrumentsOf(g.data.Instruments); err != nil {
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

// instrumentsOf refuses instruments that are not in use; none is fine.
func (s *State) instrumentsOf(ids []stream.ID) error {
	for i, id := range ids {
		if err := known(s.instruments, id, fmt.Sprintf("instruments[%d]", i), theInstrument); err != nil {
			return err
		}
	}
	return nil
}

func (s *State) addInterface(d newInterface) error {
	s.interfaces = s.interfaces.with(d.ID, Interface{ID: d.ID, Name: d.Name, Bay: d.Bay, Instruments: d.Instruments, Active: true}, s.seq)
	return nil
}

type interfaceChange struct {
	ID          stream.ID   `json:"id"`
	Name        *string     `json:"name,omitempty"`
	Bay         *stream.ID  `json:"bay,omitempty"`
	Instruments []stream.ID `json:"instruments,omitempty"`
}

func readInterfaceChange(in intake) interfaceChange {
	d := interfaceChange{ID: in.id("id"), Name: in.maybe("name", 60), Bay: in.optID("bay"), Instruments: in.instruments()}
	in.some("name", "bay", "instruments")
	return d
}

func (d interfaceChange) of(i Interface) Interface {
	i.Name = or(d.Name, i.Name)
	if d.Bay != nil {
		i.Bay = d.Bay
	}
	if d.Instruments != nil {
		i.Instruments = d.Instruments
	}
	return i
}

func (s *State) checkInterfaceChange(g given[interfaceChange]) error {
	if err := s.bayOf(g.data.Bay); err != nil {
		return err
	}
	if err := s.instrumentsOf(g.data.Instruments); err != nil {
		return err
	}
	if was, is := s.interfaces[g.data.ID]; is && was.value.Active && g.data.Instruments != nil && !was.value.Gateway() {
		return fault.New(fault.WrongPhase, "This interface announces cars. What an interface is for does not change: add another one.",
			fault.Field{Name: "data.instruments", Want: "left out"})
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
