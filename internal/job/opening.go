package job

import (
	"readback/internal/stream"
	"readback/internal/strict"
)

// opening is the data of open-job: what is known at the door, which may be no more than a plate.
type opening struct {
	carDescription
	workDescription
}

func readOpening(o *strict.Object) any {
	j := opening{readCar(o), readWork(o)}
	some(o, "plate", "vin", "customer_reference") // by which people tell the job from others
	return j
}

func needsOfOpening(actor stream.Actor, cmd stream.Command) ([]stream.FactKey, error) {
	more, err := needsOfCar(actor, cmd)
	return append([]stream.FactKey{organisationKey(actor)}, more...), err
}

func checkOpening(actor stream.Actor, cmd stream.Command, facts stream.Facts) error {
	if err := inShop(actor, facts); err != nil {
		return err
	}
	return checkCar(actor, cmd, facts)
}

func openJob(s *State, e stream.Entry) error {
	s.shop, s.openedAt = e.By.Org, e.Seq
	if err := describeCar(s, e); err != nil {
		return err
	}
	if err := describeWork(s, e); err != nil {
		return err
	}
	s.changes = nil // nothing was before
	if e.By.Role == stream.Interface {
		return announceVehicle(s, e) // its VIN was read from the car, not typed
	}
	return nil
}
