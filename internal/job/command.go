package job

import (
	"encoding/json"
	"maps"
	"slices"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

// command is all a job knows of one command. Its sender is a technician or an owner of the shop, or, of those that have a
// guard for it, a vehicle interface; see allows.
type command struct {
	entry string   // type of the entry it makes
	opens bool     // makes the first entry
	seal  []string // keys of data that are personal
	stale []string // entry types that its sender must have seen: they may have changed what it decides upon

	// read takes plain data apart strictly; what it gives is marshalled as the data of the entry.
	read func(o *strict.Object) any
	// late says that it is possible after the job was withdrawn, too.
	late bool
	// needs lists facts beyond the sender's own; nil: none.
	needs func(actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error)
	// check refuses by guard; nil: nothing can.
	check func(actor stream.Actor, cmd stream.Command, facts stream.Facts) error
	// device refuses what an interface may not say; nil: none gives the command.
	device func(s *State, actor stream.Actor, cmd stream.Command) error
	// holds refuses by what the job is in; nil: nothing can.
	holds func(s *State) error
	// decide gives what the entry adds to the command; nil: nothing.
	decide func(cmd stream.Command) (any, error)
	// apply changes a State that is not given out yet.
	apply func(s *State, e stream.Entry) error
}

// commands is every command there is.
var commands = map[string]command{
	"open-job": {
		entry: "job-opened", opens: true, seal: []string{"vin", "plate", "customer_reference"},
		read: readOpening, needs: needsOfOpening, check: checkOpening, device: onlyCar, apply: openJob,
	},
	"describe-vehicle": {
		entry: "vehicle-described", seal: []string{"vin", "plate"}, stale: []string{"vehicle-described"},
		read: readCarDescription, needs: needsOfCar, check: checkCar, apply: describeCar,
	},
	"describe-work": {
		entry: "work-described", seal: []string{"customer_reference"}, stale: []string{"work-described"},
		read: readWorkDescription, apply: describeWork,
	},
	"announce-vehicle": {
		entry: "vehicle-announced", seal: []string{"vin", "plate"}, stale: []string{"vehicle-announced"},
		read: readAnnouncement, device: itsJob, apply: announceVehicle,
	},
	"tie-interface": {
		entry: "interface-tied", stale: []string{"interface-tied", "interface-untied"},
		read: readTie, needs: needsOfTie, check: checkTie, apply: tieInterface,
	},
	"untie-interface": {
		entry: "interface-untied", stale: []string{"interface-tied", "interface-untied"},
		read: readUntie, holds: interfaceTied, apply: untieInterface,
	},
	"settle-vin": {
		entry: "vin-settled", seal: []string{"reason"}, stale: []string{"vehicle-announced", "vehicle-described", "vin-settled"},
		read: readSettlement, holds: vinDiffers, apply: settleVIN,
	},
	"withdraw-job": {
		entry: "job-withdrawn", seal: []string{"reason"}, stale: []string{"job-withdrawn"},
		read: readWithdrawal, apply: withdraw,
	},
	"attach-alignment": {
		entry: "alignment-attached", stale: []string{"alignment-attached"},
		read: readAlignment, decide: decideAlignment, apply: attachAlignment,
	},
	"record-scan": {
		entry: "scan-recorded", stale: []string{"scan-recorded"},
		read: readScan, apply: recordScan,
	},
	"note": {
		entry: "noted", seal: []string{"text"}, late: true,
		read: readNote, apply: takeNote,
	},
}

// Commands lists the commands in order of their names.
func Commands() []string { return slices.Sorted(maps.Keys(commands)) }

// Entries lists the types of entry in order of their names.
func Entries() []string {
	var all []string
	for _, c := range commands {
		all = append(all, c.entry)
	}
	return slices.Sorted(slices.Values(all))
}

// allows finds the role that the actor acts under, or refuses.
func (c command) allows(actor stream.Actor, facts stream.Facts) (stream.Role, error) {
	if actor.Has(stream.Interface) {
		if c.device == nil {
			return "", notForDevices()
		}
		return stream.Interface, plugged(actor, facts)
	}
	role, ok := actor.As(stream.Technician, stream.Owner)
	if !ok {
		return "", fault.New(fault.NotYourRole, "A job is kept by the technicians and owners of its shop.")
	}
	return role, employed(actor, role, facts)
}

// personal writes a text that is sealed before the entry is made; it is plain here.
func personal(text string) json.RawMessage {
	raw, err := json.Marshal(text)
	if err != nil {
		panic("job: a string that is no JSON") // cannot be: strict reads valid Unicode only
	}
	return raw
}
