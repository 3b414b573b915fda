package job

import (
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Tie says that a vehicle interface is in this job's car, by a person's word. What a tied interface announces belongs to
// this job whatever VIN it is: that is how the wrong car is found out.
type Tie struct {
	Seq       uint64    `json:"seq"` // of its entry
	At        time.Time `json:"at"`
	By        stream.By `json:"by"`
	Interface stream.ID `json:"interface"`
}

type tying struct {
	Interface stream.ID `json:"interface"`
}

func readTie(o *strict.Object) any { return tying{Interface: readID(o, "interface")} }

func needsOfTie(actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	d, err := stream.DecodeData[tying](cmd)
	return []stream.FactKey{interfaceKey(actor, d.Interface)}, err
}

func checkTie(actor stream.Actor, cmd stream.Command, facts stream.Facts) error {
	d, err := stream.DecodeData[tying](cmd)
	if err != nil {
		return err
	}
	if !interfaceActive(actor, d.Interface, facts) {
		return notMet("interface-in-use", "Your register holds no vehicle interface in use with this id.")
	}
	return nil
}

func tieInterface(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[tying](e.Command)
	if err != nil {
		return err
	}
	s.tie = &Tie{Seq: e.Seq, At: e.At, By: e.By, Interface: d.Interface}
	return nil
}

func readUntie(*strict.Object) any { return struct{}{} }

// interfaceTied is the guard that there is a tie to end.
func interfaceTied(s *State) error {
	if s.tie == nil {
		return notMet("interface-tied", "No vehicle interface is tied to this job.")
	}
	return nil
}

func untieInterface(s *State, _ stream.Entry) error {
	s.tie = nil
	return nil
}

// Tie is which interface is in this car, if a person said so.
func (s *State) Tie() (Tie, bool) {
	if s.tie == nil {
		return Tie{}, false
	}
	return *s.tie, true
}
