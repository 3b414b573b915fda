package job

import (
	"encoding/json"
	"slices"
	"time"

	"readback/internal/stream"
	"readback/internal/vehicle"
)

// State is a job as folded from its entries.
type State struct {
	id         stream.ID
	seq        uint64 // of the last entry
	openedAt   uint64 // number of the entry that opened it; 0: not opened
	shop       stream.ID
	vehicle    Vehicle
	alignments []Alignment
	scans      []Scan
	notes      []Note
}

// Vehicle is the car as the job was opened for it.
type Vehicle struct {
	VIN               stream.Sealed    `json:"vin"`
	VINCheck          vehicle.Check    `json:"vin_check"`
	Plate             *stream.Sealed   `json:"plate,omitempty"`
	MileageKM         int64            `json:"mileage_km"`
	Steering          vehicle.Steering `json:"steering"`
	Dimensions        *stream.ID       `json:"dimensions,omitempty"`
	Causes            []string         `json:"causes"`
	Sensors           Sensors          `json:"sensors"`
	CustomerReference *stream.Sealed   `json:"customer_reference,omitempty"`
	CustomerTold      bool             `json:"customer_told"`
}

// appended adds to a list without touching the backing array that earlier states share.
func appended[T any](list []T, more T) []T { return append(slices.Clip(list), more) }

func (s *State) opened() bool { return s.openedAt > 0 }

// ID is the job's id.
func (s *State) ID() stream.ID { return s.id }

// Shop is the organisation whose job this is.
func (s *State) Shop() stream.ID { return s.shop }

// Vehicle is the car; false before the first entry. Its lists are not to be changed.
func (s *State) Vehicle() (Vehicle, bool) { return s.vehicle, s.opened() }

// Alignments lists all alignments attached, in order.
func (s *State) Alignments() []Alignment { return slices.Clone(s.alignments) }

// Scans lists all scans recorded, in order.
func (s *State) Scans() []Scan { return slices.Clone(s.scans) }

// Notes lists all notes, in order.
func (s *State) Notes() []Note { return slices.Clone(s.notes) }

type vehicleFact struct {
	Dimensions *stream.ID       `json:"dimensions,omitempty"`
	Steering   vehicle.Steering `json:"steering"`
	Sensors    []string         `json:"sensors"` // the affected ones
}

type alignmentFact struct {
	RearToe    vehicle.RearToe `json:"rear_toe_udeg"`
	ThrustUdeg int64           `json:"thrust_udeg"`
}

type scanFact struct {
	When     vehicle.When `json:"when"`
	Codes    []ScanCode   `json:"codes"`
	Blocking int          `json:"blocking"` // how many of them block
}

// Fact gives "vehicle", "alignment" (the one that counts) or "scan" (the newest).
func (Rules) Fact(state stream.State, name string) (json.RawMessage, uint64, bool) {
	s := state.(*State)
	var value any
	var seq uint64
	switch name {
	case "vehicle":
		value, seq = vehicleFact{s.vehicle.Dimensions, s.vehicle.Steering, s.vehicle.Sensors.Affected}, s.openedAt
	case "alignment":
		if a, ok := s.Alignment(); ok {
			value, seq = alignmentFact{a.Wheels.RearToe(), a.ThrustUdeg}, a.Seq
		}
	case "scan":
		if c, ok := s.Scan(); ok {
			value, seq = scanFact{c.When, c.Codes, c.Blocking()}, c.Seq
		}
	}
	if seq == 0 {
		return nil, 0, false
	}
	raw, err := json.Marshal(value)
	return raw, seq, err == nil
}

// row is what lists show of a job.
type row struct {
	VINCheck  vehicle.Check `json:"vin_check"`
	MileageKM int64         `json:"mileage_km"`
	Causes    []string      `json:"causes"`
	Sensors   Sensors       `json:"sensors"`
	Aligned   bool          `json:"aligned"`
	Scanned   bool          `json:"scanned"`
	Blocking  int           `json:"blocking"`
}

// Summary is what lists show of a job: nothing that identifies the car or its owner.
func (Rules) Summary(state stream.State) stream.Summary {
	s := state.(*State)
	scan, scanned := s.Scan()
	return stream.Summary{Org: s.shop, Phase: "open", Data: row{
		VINCheck: s.vehicle.VINCheck, MileageKM: s.vehicle.MileageKM, Causes: s.vehicle.Causes, Sensors: s.vehicle.Sensors,
		Aligned: len(s.alignments) > 0, Scanned: scanned, Blocking: scan.Blocking(),
	}}
}

// view is a job as clients see it.
type view struct {
	Shop       stream.ID   `json:"shop"`
	Vehicle    Vehicle     `json:"vehicle"`
	Alignments []Alignment `json:"alignments"`
	Scans      []Scan      `json:"scans"`
	Notes      []Note      `json:"notes"`
}

// View is the state for clients. Nothing of it depends on the time.
func (s *State) View(time.Time) any {
	return view{s.shop, s.vehicle, filled(s.alignments), filled(s.scans), filled(s.notes)}
}

// filled is the list as JSON shows it: empty rather than null.
func filled[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
