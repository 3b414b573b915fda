package register

import (
	"encoding/json"
	"math"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Bay is a place where cars are calibrated. The fact "bay/<id>" is this without the id.
type Bay struct {
	ID   stream.ID `json:"-"`
	Name string    `json:"name"`
	Size *Size     `json:"size_um,omitempty"` // absent if it was not measured
	// Floor is placement.Floor in micrometres; the three are absent until the floor is surveyed.
	Floor    json.RawMessage `json:"floor,omitempty"`
	Surveyed string          `json:"surveyed,omitempty"`
	Expires  string          `json:"expires,omitempty"`
	Active   bool            `json:"active"`
}

// Size is the clear room of a bay in micrometres: along the car and across it.
type Size struct {
	Length int64 `json:"length"`
	Width  int64 `json:"width"`
}

type newBay struct {
	ID   stream.ID `json:"id"`
	Name string    `json:"name"`
	Size *Size     `json:"size_um,omitempty"`
}

func readBay(in intake) newBay {
	return newBay{ID: in.newcomer(), Name: in.String("name", 60), Size: in.size()}
}

// size reads the room of a bay, if it is given: at least a small car's, at most a hall's.
func (in intake) size() *Size {
	const least, most = 2_000, 60_000 // mm
	if !in.importing() {
		if o, there := in.OptObject("size_um"); there {
			return &Size{Length: o.Int("length", least*1000, most*1000), Width: o.Int("width", least*1000, most*1000)}
		}
		return nil
	}
	if o, there := in.OptObject("size_mm"); there {
		um := func(key string) int64 {
			return int64(math.Round(1000 * o.Float(key, strict.Range{Min: least, Max: most, Unit: "mm"})))
		}
		return &Size{Length: um("length"), Width: um("width")}
	}
	return nil
}

func (s *State) checkBay(g given[newBay]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	return nameFree(s.bays, g.data.Name, g.data.ID, "name", theBay)
}

func (s *State) addBay(d newBay) error {
	s.bays = s.bays.with(d.ID, Bay{ID: d.ID, Name: d.Name, Size: d.Size, Active: true}, s.seq)
	return nil
}

type bayChange struct {
	ID   stream.ID `json:"id"`
	Name *string   `json:"name,omitempty"`
	Size *Size     `json:"size_um,omitempty"`
}

func readBayChange(in intake) bayChange {
	d := bayChange{ID: in.id("id"), Name: in.maybe("name", 60), Size: in.size()}
	in.some("name", "size_um")
	return d
}

func (d bayChange) of(b Bay) Bay {
	b.Name = or(d.Name, b.Name)
	if d.Size != nil {
		b.Size = d.Size
	}
	return b
}

func (s *State) checkBayChange(g given[bayChange]) error {
	return changeable(s.bays, g.data.ID, "name", theBay, g.data.of)
}

func (s *State) changeBay(d bayChange) error {
	s.bays = s.bays.with(d.ID, d.of(s.bays[d.ID].value), s.seq)
	return nil
}

type survey struct {
	Bay      stream.ID       `json:"bay"`
	Floor    json.RawMessage `json:"floor"`
	Surveyed string          `json:"surveyed"`
	Expires  string          `json:"expires"`
}

func readSurvey(in intake) survey {
	v := surveyOf(in)
	v.Bay = in.id("bay")
	return v
}

// surveyOf reads a survey without the bay it is of.
func surveyOf(in intake) survey {
	v := survey{Floor: measured(in, "floor", placement.DecodeFloor), Surveyed: in.date("surveyed"), Expires: in.date("expires")}
	in.ordered(v.Surveyed, v.Expires, "expires", "a day after the survey")
	return v
}

func (s *State) checkSurvey(g given[survey]) error {
	if err := known(s.bays, g.data.Bay, "bay", theBay); err != nil {
		return err
	}
	return notYet("surveyed", g.data.Surveyed, g.now)
}

func (s *State) surveyBay(d survey) error {
	b := s.bays[d.Bay].value
	b.Floor, b.Surveyed, b.Expires = d.Floor, d.Surveyed, d.Expires
	s.bays = s.bays.with(d.Bay, b, s.seq)
	return nil
}

type unsurvey struct {
	Bay stream.ID `json:"bay"`
}

func readUnsurvey(in intake) unsurvey { return unsurvey{Bay: in.id("bay")} }

func (s *State) checkUnsurvey(g given[unsurvey]) error {
	if err := known(s.bays, g.data.Bay, "bay", theBay); err != nil {
		return err
	}
	if s.bays[g.data.Bay].value.Floor == nil {
		return fault.New(fault.WrongPhase, "The floor of this bay is not surveyed.", fault.Field{Name: "data.bay", Want: "a bay with a floor survey"})
	}
	return nil
}

// withdrawSurvey is for a floor that is not as it was surveyed any more, and not surveyed anew yet.
func (s *State) withdrawSurvey(d unsurvey) error {
	b := s.bays[d.Bay].value
	b.Floor, b.Surveyed, b.Expires = nil, "", ""
	s.bays = s.bays.with(d.Bay, b, s.seq)
	return nil
}
