package stream

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/strict"
)

func TestAdmitData(t *testing.T) {
	t.Parallel()
	type text struct {
		Name string `json:"name"`
		Note string `json:"note,omitempty"`
	}
	read := func(o *strict.Object) any {
		got := text{Name: o.String("name", 20)}
		if o.Has("note") {
			got.Note = o.String("note", 20)
		}
		return got
	}
	personal := []string{"note", "name", "plate"}

	data, seal, err := AdmitData(Command{Data: json.RawMessage("{\"note\": \"b\",\n\"name\":\"\\u0061\"}")}, read, personal)
	require.NoError(t, err)
	require.Equal(t, `{"name":"a","note":"b"}`, string(data), "in one spelling")
	require.Equal(t, []string{"note", "name"}, seal)
	_, seal, err = AdmitData(Command{Data: json.RawMessage(`{"name":"a"}`)}, read, personal)
	require.NoError(t, err)
	require.Equal(t, []string{"name"}, seal, "what is not there is not sealed")
	_, _, err = AdmitData(Command{Data: json.RawMessage(`{"name":"a","colour":"red"}`)}, read, personal)
	require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)
}

func TestCheckSealed(t *testing.T) {
	t.Parallel()
	sealed, err := json.Marshal(Sealed{SealedValue{K: NewID(), V: "AAAA"}})
	require.NoError(t, err)
	note := func(value string) Command {
		return Command{Type: "note", Data: json.RawMessage(`{"open":"yes","text":` + value + `}`)}
	}
	require.NoError(t, CheckSealed(note(string(sealed)), []string{"text", "absent"}))
	for _, value := range []string{`"plain"`, `null`, `{}`, `{"sealed":{"k":"` + NewID().String() + `"}}`, `{"sealed":{"v":"AAAA"}}`,
		string(sealed[:len(sealed)-1]) + `,"sealed":1}`, // the first would do
	} {
		require.ErrorContains(t, CheckSealed(note(value), []string{"text"}), "text of note", value)
	}
	require.Error(t, CheckSealed(Command{Data: json.RawMessage(`[]`)}, nil))
}
