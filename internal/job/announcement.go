package job

import (
	"encoding/json"
	"errors"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// Announcement is the VIN that the car itself gave, read from its control unit. It stands beside the VIN that people typed:
// where the two differ, the wrong car may be connected, and no leg starts until somebody has settled which is right.
type Announcement struct {
	Seq      uint64        `json:"seq"` // of its entry
	At       time.Time     `json:"at"`
	By       stream.By     `json:"by"`
	VIN      stream.Sealed `json:"vin"`
	VINCheck vehicle.Check `json:"vin_check"`
	// ModelYear is what position 10 says; absent where it says nothing.
	ModelYear *vehicle.ModelYear `json:"model_year,omitempty"`
	VINEqual  bool               `json:"vin_equal"` // to the one that the job goes by now
	Plate     *stream.Sealed     `json:"plate,omitempty"`
	MileageKM *int64             `json:"mileage_km,omitempty"`

	mark string
}

// Settlement is a person's word on which of two VINs is the car's.
type Settlement struct {
	Seq    uint64        `json:"seq"` // of its entry
	At     time.Time     `json:"at"`
	By     stream.By     `json:"by"`
	Right  string        `json:"right"`
	Reason stream.Sealed `json:"reason"`
}

// Which VIN is right.
const (
	typed     = "typed"
	announced = "announced"
)

var errNoMark = errors.New("a VIN without the mark that equal ones have in common")

type announcing struct {
	VIN       json.RawMessage    `json:"vin"`      // plain until it is sealed
	VINMark   *string            `json:"vin_mark"` // see carDescription
	VINCheck  vehicle.Check      `json:"vin_check"`
	ModelYear *vehicle.ModelYear `json:"model_year,omitempty"`
	Plate     json.RawMessage    `json:"plate,omitempty"` // plain until it is sealed
	MileageKM *int64             `json:"mileage_km,omitempty"`
}

func readAnnouncement(o *strict.Object) any {
	a := announcing{VINMark: new(string), MileageKM: readMileage(o), Plate: readPlate(o)}
	if text := o.String("vin", 40); text != "" {
		vin, err := vehicle.ParseVIN(text)
		if err != nil {
			o.Reject("vin", err.Error())
		} else {
			a.VIN, a.VINCheck = personal(text), vin.Check()
			if years, ok := vin.ModelYear(); ok {
				a.ModelYear = &years
			}
		}
	}
	return a
}

// announceVehicle takes the VIN that the car gave; a job without one goes by it, and so with plate and mileage. A further
// announcement replaces the one before, and what was settled of that one no longer holds.
func announceVehicle(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[announcing](e.Command)
	if err != nil {
		return err
	}
	if d.VINMark == nil || *d.VINMark == "" {
		return errNoMark
	}
	sealed, err := stream.ReadSealed(d.VIN)
	if err != nil {
		return err
	}
	s.announced = &Announcement{Seq: e.Seq, At: e.At, By: e.By, VIN: sealed, VINCheck: d.VINCheck, ModelYear: d.ModelYear, MileageKM: d.MileageKM, mark: *d.VINMark}
	if err := replaceSealed(&s.announced.Plate, d.Plate); err != nil {
		return err
	}
	s.settled, s.describedAt = nil, e.Seq
	if s.vehicle.VIN == nil {
		s.goByAnnounced()
	}
	if s.vehicle.Plate == nil {
		s.vehicle.Plate = s.announced.Plate
	}
	if s.vehicle.MileageKM == nil {
		s.vehicle.MileageKM = d.MileageKM
	}
	return nil
}

// goByAnnounced makes the VIN announced the job's own.
func (s *State) goByAnnounced() {
	a := s.announced
	s.vehicle.VIN, s.vehicle.VINCheck, s.vehicle.ModelYear, s.vinMark = &a.VIN, a.VINCheck, a.ModelYear, a.mark
}

// VINMark is the mark of the VIN that the job goes by, "" while there is none. It is comparable within this job only.
func (s *State) VINMark() string { return s.vinMark }

// Announced is the newest announcement, with the mark of its VIN; false if there was none.
func (s *State) Announced() (a Announcement, mark string, ok bool) {
	if s.announced == nil {
		return a, "", false
	}
	return *s.announcement(), s.announced.mark, true
}

// Unattended reports whether an interface opened the job and no person has given it a command yet.
func (s *State) Unattended() bool { return s.unattended }

// vinEqual compares the VIN announced with the one that the job goes by.
func (s *State) vinEqual() bool { return s.announced.mark == s.vinMark }

// VINInDoubt reports whether two VINs differ and nobody has settled which is right.
func (s *State) VINInDoubt() bool { return s.announced != nil && !s.vinEqual() && s.settled == nil }

// announcement is what clients are shown.
func (s *State) announcement() *Announcement {
	if s.announced == nil {
		return nil
	}
	a := *s.announced
	a.VINEqual = s.vinEqual()
	return &a
}

type settling struct {
	Right  string          `json:"right"`
	Reason json.RawMessage `json:"reason"` // plain until it is sealed
}

func readSettlement(o *strict.Object) any {
	return settling{Right: o.Enum("right", typed, announced), Reason: readReason(o, "reason")}
}

// vinDiffers is the guard that there is something to settle.
func vinDiffers(s *State) error {
	if !s.VINInDoubt() {
		return notMet("vin-differs", "No VIN is in doubt: there are not two that differ, or it is settled already.")
	}
	return nil
}

// settleVIN lets the work go on. If the VIN announced is right, it takes the place of the one typed; if the one typed is,
// the announcement stays as it was, and what was settled stands beside it.
func settleVIN(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[settling](e.Command)
	if err != nil {
		return err
	}
	reason, err := stream.ReadSealed(d.Reason)
	if err != nil {
		return err
	}
	s.settled, s.describedAt = &Settlement{Seq: e.Seq, At: e.At, By: e.By, Right: d.Right, Reason: reason}, e.Seq
	if d.Right == announced {
		was := former{}
		was.keep("vin", s.vehicle.VIN)
		s.goByAnnounced()
		s.changed(e, was)
	}
	return nil
}
