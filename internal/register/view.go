package register

import (
	"time"

	"readback/internal/dispatch"
	"readback/internal/stream"
)

// view is a register as clients see it: everything by id, the retired too, which JSON writes in the order of the ids; and
// what runs out, by day.
type view struct {
	Organisation Organisation                `json:"organisation"`
	Members      map[stream.ID]Member        `json:"members"`
	Agreements   map[stream.ID]Agreement     `json:"agreements"`
	Bays         map[stream.ID]Bay           `json:"bays"`
	Instruments  map[stream.ID]Instrument    `json:"instruments"`
	Fixtures     map[stream.ID]Fixture       `json:"fixtures"`
	Dimensions   map[stream.ID]Dimensions    `json:"dimensions"`
	Procedures   map[stream.ID]procedureView `json:"procedures"`
	Webhooks     map[stream.ID]Webhook       `json:"webhooks"`
	Interfaces   map[stream.ID]Interface     `json:"interfaces"`
	Due          []Due                       `json:"due"`
	Duty         map[stream.ID]Duty          `json:"duty"`
	Hours        *dispatch.Hours             `json:"hours,omitempty"` // of a desk that said so
}

// View is the state for clients. Nothing of it depends on the time.
func (s *State) View(time.Time) any {
	v := view{
		Organisation: s.organisation, Members: s.members.values(), Agreements: s.agreements.values(), Bays: s.bays.values(),
		Instruments: s.instruments.values(), Fixtures: s.fixtures.values(), Dimensions: s.dimensions.values(), Procedures: s.procedureViews(), Webhooks: s.webhooks.values(), Interfaces: s.interfaces.values(), Due: s.Due(),
		Duty: s.duty.values(),
	}
	if s.hoursAt > 0 {
		v.Hours = &s.hours
	}
	return v
}

func (s shelf[T]) values() map[stream.ID]T {
	all := make(map[stream.ID]T, len(s))
	for id, k := range s {
		all[id] = k.value
	}
	return all
}
