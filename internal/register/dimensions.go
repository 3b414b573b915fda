package register

import (
	"encoding/json"

	"readback/internal/fault"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/strict"
)

// Dimensions is a dimension sheet: what the shop measured of a type of car, and from what. The fact "dimensions/<id>" is
// this without the id.
type Dimensions struct {
	ID      stream.ID       `json:"-"`
	Type    string          `json:"type"`
	Vehicle json.RawMessage `json:"vehicle"` // placement.Vehicle in micrometres, without rear toe
	Source  string          `json:"source"`
	Active  bool            `json:"active"`
}

type newDimensions struct {
	ID      stream.ID       `json:"id"`
	Type    string          `json:"type"`
	Vehicle json.RawMessage `json:"vehicle"`
	Source  string          `json:"source"`
}

func readDimensions(in intake) newDimensions {
	return newDimensions{
		ID: in.newcomer(), Type: in.String("type", 80), Vehicle: measured(in, "vehicle", decodeSheet), Source: in.String("source", 200),
	}
}

// Sheet is the data of add-dimensions without the id.
type Sheet struct {
	Type    string          `json:"type"`
	Vehicle json.RawMessage `json:"vehicle"`
	Source  string          `json:"source"`
}

// ReadDimensions reads a sheet as an import document lists it, in millimetres and degrees. All its faults are told at once.
func ReadDimensions(raw json.RawMessage) (Sheet, error) {
	in := intake{strict.Read(raw, ""), stream.NewID}
	d := readDimensions(in)
	return Sheet{Type: d.Type, Vehicle: d.Vehicle, Source: d.Source}, in.Close()
}

// decodeSheet reads what is the same for every car of a type. The rear toe is this one car's.
func decodeSheet(raw json.RawMessage, path string) (placement.Vehicle, error) {
	v, err := placement.DecodeVehicle(raw, path)
	if err == nil && v.RearToeDeg != nil {
		err = fault.Badly(path+".rear_toe_deg", "leave it out: it comes with the wheel alignment of each car")
	}
	return v, err
}

func (s *State) checkDimensions(g given[newDimensions]) error {
	if err := s.taken(g.data.ID); err != nil {
		return err
	}
	return nameFree(s.dimensions, g.data.Type, g.data.ID, "type", theSheet)
}

func (s *State) addDimensions(d newDimensions) error {
	sheet := Dimensions{ID: d.ID, Type: d.Type, Vehicle: d.Vehicle, Source: d.Source, Active: true}
	s.dimensions = s.dimensions.with(d.ID, sheet, s.seq)
	return nil
}

type dimensionsChange struct {
	ID      stream.ID       `json:"id"`
	Type    *string         `json:"type,omitempty"`
	Vehicle json.RawMessage `json:"vehicle,omitempty"`
	Source  *string         `json:"source,omitempty"`
}

// readDimensionsChange reads a new measurement, which says what it was taken from, or another name of the type of car. A
// source alone is none: it would put what was measured before on another footing.
func readDimensionsChange(in intake) dimensionsChange {
	d := dimensionsChange{ID: in.id("id"), Type: in.maybe("type", 80)}
	if in.Has("vehicle") || in.Has("source") {
		d.Vehicle = measured(in, "vehicle", decodeSheet)
		source := in.String("source", 200)
		d.Source = &source
	}
	in.some("vehicle", "source", "type")
	return d
}

func (d dimensionsChange) of(sheet Dimensions) Dimensions {
	sheet.Type, sheet.Source = or(d.Type, sheet.Type), or(d.Source, sheet.Source)
	if d.Vehicle != nil {
		sheet.Vehicle = d.Vehicle
	}
	return sheet
}

func (s *State) checkDimensionsChange(g given[dimensionsChange]) error {
	return changeable(s.dimensions, g.data.ID, "type", theSheet, g.data.of)
}

func (s *State) changeDimensions(d dimensionsChange) error {
	s.dimensions = s.dimensions.with(d.ID, d.of(s.dimensions[d.ID].value), s.seq)
	return nil
}
