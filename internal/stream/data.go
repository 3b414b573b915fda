package stream

import (
	"encoding/json"
	"fmt"

	"readback/internal/strict"
)

// AdmitData is Admit for rules whose commands are read by one function and written again in one spelling: it gives that
// spelling, and which of the personal keys the data has, for sealing.
func AdmitData(cmd Command, read func(o *strict.Object) any, personal []string) (data json.RawMessage, seal []string, err error) {
	o := strict.Read(cmd.Data, "data")
	plain := read(o)
	o.InOrder()
	if err := o.Close(); err != nil {
		return nil, nil, err
	}
	if data, err = json.Marshal(plain); err != nil {
		return nil, nil, fmt.Errorf("write data of %s: %w", cmd.Type, err)
	}
	for _, key := range personal {
		if o.Has(key) {
			seal = append(seal, key)
		}
	}
	return data, seal, nil
}

// DecodeData takes admitted data apart again.
func DecodeData[D any](cmd Command) (D, error) {
	var data D
	if err := json.Unmarshal(cmd.Data, &data); err != nil {
		return data, fmt.Errorf("read data of %s: %w", cmd.Type, err)
	}
	return data, nil
}

// CheckSealed makes sure that none of the personal values gets into an entry openly.
func CheckSealed(cmd Command, personal []string) error {
	data, err := DecodeData[map[string]json.RawMessage](cmd)
	if err != nil {
		return err
	}
	for _, key := range personal {
		if raw, there := data[key]; there {
			if _, err := ReadSealed(raw); err != nil {
				return fmt.Errorf("%s of %s: %w", key, cmd.Type, err)
			}
		}
	}
	return nil
}

// ReadSealed reads a sealed value as it stands in an entry: that it is sealed, not what it says.
func ReadSealed(raw json.RawMessage) (Sealed, error) {
	var v Sealed
	if err := json.Unmarshal(raw, &v); err != nil || v.Sealed.V == "" || v.Sealed.K == (ID{}) {
		return Sealed{}, fmt.Errorf("a personal value that is not sealed")
	}
	return v, nil
}
