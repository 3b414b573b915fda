package device

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
)

// FuzzRead: what is not usable is refused by name; what is taken is what the job's commands take, and the VIN is its own.
func FuzzRead(f *testing.F) {
	const id = `"id":"01940000-0000-7000-8000-00000000e0aa"`
	for _, seed := range []string{
		`{` + id + `,"vin":"ZZZDEM0A4CR000017"}`, `{` + id + `,"vin":"ZZZDEM0A4CR000017","plate":"DEMO 1","mileage_km":48210}`,
		`{` + id + `,"vin":"ZZZDEM0A4CRO00017","plate":"?"}`, `{"id":"x","vin":""}`, `{}`, `[]`, `{` + id + `,` + id + `}`, "{\"vin\":\"\xff\"}",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		a, err := Read(raw)
		if err != nil {
			kind := fault.Of(err).Kind()
			require.Equal(t, fault.Invalid, kind, "%v", err)
			return
		}
		require.NotEqual(t, stream.ID{}, a.ID)
		for _, command := range []string{"open-job", "announce-vehicle"} {
			data, seal, err := job.Rules{}.Admit(stream.Command{Type: command, Data: a.Car})
			require.NoError(t, err)
			require.Contains(t, seal, "vin")
			var admitted struct{ VIN string }
			require.NoError(t, json.Unmarshal(data, &admitted))
			require.Equal(t, a.VIN, admitted.VIN)
		}
	})
}
