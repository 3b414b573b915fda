package job

import (
	"encoding/json"
	"reflect"
	"time"

	"readback/internal/stream"
)

// Change is one entry that described car or work after the job was opened. The entries keep all that was ever said;
// this is what each said differently from the one before.
type Change struct {
	Seq uint64                     `json:"seq"` // of its entry
	At  time.Time                  `json:"at"`
	By  stream.By                  `json:"by"`
	Was map[string]json.RawMessage `json:"was"` // values that no longer stand; a key that was not known before is left out
}

// former collects the values that an entry replaces.
type former map[string]json.RawMessage

// keep keeps a value that was known: neither a nil pointer or list nor an empty word.
func (f former) keep(key string, value any) {
	if v := reflect.ValueOf(value); v.IsZero() || v.Kind() == reflect.Slice && v.Len() == 0 {
		return
	}
	raw, err := json.Marshal(value)
	if err != nil {
		panic("job: a folded value that is no JSON") // cannot be: it was read from JSON
	}
	f[key] = raw
}

func (s *State) changed(e stream.Entry, was former) {
	s.changes = appended(s.changes, Change{Seq: e.Seq, At: e.At, By: e.By, Was: was})
}

// missing names what has not been said of the job yet, in the order in which it is asked for.
func (s *State) missing() []string {
	list := []string{}
	for _, each := range []struct {
		name  string
		known bool
	}{
		{"causes", s.work.Causes != nil}, {"sensors", s.work.Sensors != nil}, {"dimensions", s.vehicle.Dimensions != nil},
		{"vin", s.vehicle.VIN != nil}, {"mileage_km", s.vehicle.MileageKM != nil}, {"steering", s.vehicle.Steering != ""},
		{"customer_told", s.work.CustomerTold != nil},
	} {
		if !each.known {
			list = append(list, each.name)
		}
	}
	return list
}
