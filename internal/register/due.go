package register

import (
	"bytes"
	"cmp"
	"slices"

	"readback/internal/stream"
)

// The kinds of what runs out.
const (
	DueInstrument = "instrument" // an instrument's next check
	DueCompetence = "competence" // a member's competence for one kind of sensor
	DueSurvey     = "survey"     // a bay's floor survey
)

// Due is the last day on which something counts: of what is in use only.
type Due struct {
	Kind   string    `json:"kind"`
	ID     stream.ID `json:"id"` // of the instrument, the member or the bay
	Sensor string    `json:"sensor,omitempty"`
	Day    string    `json:"day"`
}

// Due lists what runs out, the next one first; of one day by kind, then by id. What ran out already stands at the top.
func (s *State) Due() []Due {
	list := []Due{}
	for _, i := range s.instruments.all() {
		if i.Active {
			list = append(list, Due{Kind: DueInstrument, ID: i.ID, Day: i.Due})
		}
	}
	for _, m := range s.members.all() {
		for _, c := range m.Competences {
			if m.Active {
				list = append(list, Due{Kind: DueCompetence, ID: m.ID, Sensor: c.Sensor, Day: c.Expires})
			}
		}
	}
	for _, b := range s.bays.all() {
		if b.Active && b.Floor != nil {
			list = append(list, Due{Kind: DueSurvey, ID: b.ID, Day: b.Expires})
		}
	}
	slices.SortStableFunc(list, func(a, b Due) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Kind, b.Kind), bytes.Compare(a.ID[:], b.ID[:]), cmp.Compare(a.Sensor, b.Sensor))
	})
	return list
}
