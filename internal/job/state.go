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
	id          stream.ID
	seq         uint64 // of the last entry
	openedAt    uint64 // number of the entry that opened it; 0: not opened
	describedAt uint64 // number of the last entry that changed what the fact "vehicle" says
	shop        stream.ID
	vehicle     Vehicle
	work        Work
	changes     []Change
	vinMark     string // of the VIN that the job goes by; "" while there is none
	announced   *Announcement
	unattended  bool        // an interface opened it, and no person has given a command yet
	tie         *Tie        // which interface is in the car, if a person said so
	settled     *Settlement // on the VINs as they stand; nil: there was no need yet
	withdrawn   *Withdrawal
	alignments  []Alignment
	scans       []Scan
	notes       []Note
}

// The phases of a job.
const (
	open      = "open"
	withdrawn = "withdrawn"
)

// Withdrawn reports whether the job was given up.
func (s *State) Withdrawn() bool { return s.withdrawn != nil }

// Phase is open or withdrawn.
func (s *State) Phase() string {
	if s.withdrawn != nil {
		return withdrawn
	}
	return open
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

// Work is what brought the car here. Its lists are not to be changed.
func (s *State) Work() Work { return s.work }

// Changes lists what was described after the opening, in order.
func (s *State) Changes() []Change { return slices.Clone(s.changes) }

// Alignments lists all alignments attached, in order.
func (s *State) Alignments() []Alignment { return slices.Clone(s.alignments) }

// Scans lists all scans recorded, in order.
func (s *State) Scans() []Scan { return slices.Clone(s.scans) }

// Notes lists all notes, in order.
func (s *State) Notes() []Note { return slices.Clone(s.notes) }

type vehicleFact struct {
	Dimensions *stream.ID       `json:"dimensions,omitempty"`
	Steering   vehicle.Steering `json:"steering,omitempty"`
	Sensors    []string         `json:"sensors"`               // the affected ones
	Missing    []string         `json:"missing"`               // what has not been said yet
	VINDiffers bool             `json:"vin_differs,omitempty"` // from the one that the car gave, and nobody has settled which is right
	Withdrawn  bool             `json:"withdrawn,omitempty"`
}

func (s *State) vehicleFact() vehicleFact {
	f := vehicleFact{
		Dimensions: s.vehicle.Dimensions, Steering: s.vehicle.Steering, Sensors: []string{}, Missing: s.missing(),
		VINDiffers: s.VINInDoubt(), Withdrawn: s.withdrawn != nil,
	}
	if s.work.Sensors != nil {
		f.Sensors = s.work.Sensors.Affected
	}
	return f
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
		value, seq = s.vehicleFact(), s.describedAt
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
	VINCheck  vehicle.Check `json:"vin_check,omitempty"`
	MileageKM *int64        `json:"mileage_km,omitempty"`
	Causes    []string      `json:"causes"`
	Sensors   *Sensors      `json:"sensors,omitempty"`
	Missing   []string      `json:"missing"`
	InDoubt   bool          `json:"vin_differs,omitempty"`
	Announced bool          `json:"announced,omitempty"` // by an interface, and nobody has taken it up
	Interface *stream.ID    `json:"interface,omitempty"` // tied
	Aligned   bool          `json:"aligned"`
	Scanned   bool          `json:"scanned"`
	Blocking  int           `json:"blocking"`
}

// Summary is what lists show of a job: nothing that identifies the car or its owner.
func (Rules) Summary(state stream.State) stream.Summary {
	s := state.(*State)
	scan, scanned := s.Scan()
	var tied *stream.ID
	if s.tie != nil {
		tied = &s.tie.Interface
	}
	return stream.Summary{Org: s.shop, Phase: s.Phase(), Data: row{
		Announced: s.unattended, Interface: tied,
		VINCheck: s.vehicle.VINCheck, MileageKM: s.vehicle.MileageKM, Causes: filled(s.work.Causes), Sensors: s.work.Sensors,
		Missing: s.missing(), InDoubt: s.VINInDoubt(), Aligned: len(s.alignments) > 0, Scanned: scanned, Blocking: scan.Blocking(),
	}}
}

// view is a job as clients see it.
type view struct {
	Shop       stream.ID     `json:"shop"`
	Phase      string        `json:"phase"`
	Withdrawn  *Withdrawal   `json:"withdrawn,omitempty"`
	Vehicle    Vehicle       `json:"vehicle"`
	Announced  *Announcement `json:"announced,omitempty"`
	Settled    *Settlement   `json:"settled,omitempty"`
	Unattended bool          `json:"unattended,omitempty"` // an interface opened it, and nobody has taken it up
	Tie        *Tie          `json:"tie,omitempty"`
	Work       Work          `json:"work"`
	Missing    []string      `json:"missing"`
	Changes    []Change      `json:"changes"`
	Alignments []Alignment   `json:"alignments"`
	Scans      []Scan        `json:"scans"`
	Comparison *Comparison   `json:"comparison,omitempty"`
	Notes      []Note        `json:"notes"`
}

// View is the state for clients. Nothing of it depends on the time.
func (s *State) View(time.Time) any {
	return view{
		Shop: s.shop, Phase: s.Phase(), Withdrawn: s.withdrawn, Vehicle: s.vehicle,
		Announced: s.announcement(), Settled: s.settled, Unattended: s.unattended, Tie: s.tie, Work: s.work, Missing: s.missing(),
		Changes: filled(s.changes), Alignments: filled(s.alignments), Scans: filled(s.scans), Comparison: s.Comparison(),
		Notes: filled(s.notes),
	}
}

// filled is the list as JSON shows it: empty rather than null.
func filled[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
