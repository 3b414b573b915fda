package wire_test

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wire"
)

func lines(t testing.TB, name string) []string {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/wire/" + name)
	require.NoError(t, err)
	return strings.Split(strings.TrimSuffix(string(raw), "\n"), "\n")
}

func id(t testing.TB, tail string) stream.ID {
	t.Helper()
	full := "01940000-0000-7000-8000-000000000000"
	got, err := stream.ParseID("id", full[:len(full)-len(tail)]+tail)
	require.NoError(t, err)
	return got
}

func TestDecodeReadsEveryMessageOfAClient(t *testing.T) {
	t.Parallel()
	cal := stream.Ref{Kind: stream.Calibration, ID: id(t, "1")}
	want := []wire.Incoming{
		wire.Hello{Protocol: 1, Client: "example/1.0", Token: "aaa.bbb.ccc"},
		wire.Follow{Stream: cal, After: 17},
		wire.Unfollow{Stream: stream.Ref{Kind: stream.Job, ID: id(t, "2")}},
		wire.Command{Stream: cal, Command: stream.Command{ID: id(t, "c1"), Base: 17, Type: "read-back",
			Data: json.RawMessage(`{"step":3,"value_um":620000,"side":"left"}`)}},
		wire.Reading{Stream: cal, N: 7, Data: json.RawMessage(`{"readings":[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":2000400}],"moved":true}`)},
		wire.Reading{Stream: cal, N: 8, Data: json.RawMessage(`{"readings":[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":2000400}],"moved":false}`)},
		wire.Beat{N: 4},
	}
	frames := lines(t, "client.jsonl")
	require.Len(t, frames, len(want))
	for i, frame := range frames {
		got, _, err := wire.Decode([]byte(frame))
		require.NoError(t, err, frame)
		require.Equal(t, want[i], got)
	}
}

func TestDecodeRefuses(t *testing.T) {
	t.Parallel()
	const ref = `"stream":{"kind":"job","id":"01940000-0000-7000-8000-000000000002"}`
	command := func(inside string) string { return `{"say":"command",` + ref + `,"command":{` + inside + `}}` }
	const cmdID = `"id":"01940000-0000-7000-8000-0000000000c1"`
	for _, c := range []struct {
		name, frame string
		slug        fault.Slug
		fields      []string // names, in order
	}{
		{"empty", ``, fault.Malformed, nil},
		{"not JSON", `{"say":"beat",`, fault.Malformed, nil},
		{"two values", `{"say":"beat","n":1}{"say":"beat","n":2}`, fault.Malformed, nil},
		{"NaN", `{"say":"beat","n":NaN}`, fault.Malformed, nil},
		{"not UTF-8", "{\"say\":\"hello\",\"protocol\":1,\"client\":\"\xff\"}", fault.Malformed, nil},
		{"too deep", command(cmdID + `,"base":0,"type":"note","data":` + strings.Repeat(`{"a":`, 30) + `1` + strings.Repeat(`}`, 30)), fault.Malformed, nil},
		{"too long", `{"say":"beat","n":1,"pad":"` + strings.Repeat("x", wire.MaxFrame) + `"}`, fault.TooLarge, nil},
		{"a list", `[]`, fault.InvalidInput, []string{"the input"}},
		{"no say", `{"n":1}`, fault.InvalidInput, []string{"say", "n"}},
		{"say is no text", `{"say":7}`, fault.InvalidInput, []string{"say"}},
		{"unknown message", `{"say":"shout"}`, fault.UnknownType, []string{"say"}},
		{"unknown key", `{"say":"beat","n":1,"m":2}`, fault.InvalidInput, []string{"m"}},
		{"unknown nested key", `{"say":"unfollow","stream":{"kind":"job","id":"01940000-0000-7000-8000-000000000002","x":1}}`, fault.InvalidInput, []string{"stream.x"}},
		{"key given twice", `{"say":"beat","n":1,"n":2}`, fault.InvalidInput, []string{"n"}},
		{"say given twice", `{"say":"beat","n":1,"say":"hello"}`, fault.InvalidInput, []string{"say"}},
		{"twice deep inside data", command(cmdID + `,"base":0,"type":"note","data":{"a":{"b":1,"b":2}}`), fault.InvalidInput, []string{"command.data.a.b"}},
		{"wrong type", `{"say":"beat","n":"1"}`, fault.InvalidInput, []string{"n"}},
		{"a fraction", `{"say":"beat","n":1.5}`, fault.InvalidInput, []string{"n"}},
		{"negative", `{"say":"follow",` + ref + `,"after":-1}`, fault.InvalidInput, []string{"after"}},
		{"above 2^53", `{"say":"follow",` + ref + `,"after":9007199254740992}`, fault.InvalidInput, []string{"after"}},
		{"null", `{"say":"beat","n":null}`, fault.InvalidInput, []string{"n"}},
		{"missing", `{"say":"follow",` + ref + `}`, fault.InvalidInput, []string{"after"}},
		{"unknown kind", `{"say":"unfollow","stream":{"kind":"car","id":"01940000-0000-7000-8000-000000000002"}}`, fault.InvalidInput, []string{"stream.kind"}},
		{"id in capitals", `{"say":"unfollow","stream":{"kind":"job","id":"01940000-0000-7000-8000-00000000000A"}}`, fault.InvalidInput, []string{"stream.id"}},
		{"id of zeros", `{"say":"unfollow","stream":{"kind":"job","id":"00000000-0000-0000-0000-000000000000"}}`, fault.InvalidInput, []string{"stream.id"}},
		{"other protocol", `{"say":"hello","protocol":2,"client":"x"}`, fault.InvalidInput, []string{"protocol"}},
		{"token too long", `{"say":"hello","protocol":1,"client":"x","token":"` + strings.Repeat("a", wire.MaxToken+1) + `"}`, fault.InvalidInput, []string{"token"}},
		{"data is a list", command(cmdID + `,"base":0,"type":"note","data":[]`), fault.InvalidInput, []string{"command.data"}},
		{"everything wrong at once", command(`"id":"x","base":-1,"type":"","data":1,"more":0`), fault.InvalidInput,
			[]string{"command.id", "command.base", "command.type", "command.data", "command.more"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			m, _, err := wire.Decode([]byte(c.frame))
			require.Nil(t, m)
			var f *fault.Error
			require.ErrorAs(t, err, &f)
			require.Equal(t, c.slug, f.Slug, err)
			var names []string
			for _, field := range f.Fields {
				require.NotEmpty(t, field.Want)
				names = append(names, field.Name)
			}
			require.Equal(t, c.fields, names)
		})
	}
}

func TestAWrongCommandStillSaysWhichOneItIs(t *testing.T) {
	t.Parallel()
	_, about, err := wire.Decode([]byte(`{"say":"command","stream":{"kind":"job","id":"01940000-0000-7000-8000-000000000002"},
		"command":{"id":"01940000-0000-7000-8000-0000000000c1","base":"zero","type":"note","data":{}}}`))
	require.Error(t, err)
	require.Equal(t, id(t, "c1"), *about.Command)
	require.Equal(t, stream.Ref{Kind: stream.Job, ID: id(t, "2")}, *about.Stream)

	_, about, err = wire.Decode([]byte(`{"say":"command","stream":{"kind":"car"},"command":{"id":"C1"}}`))
	require.Error(t, err)
	require.Equal(t, wire.About{}, about)
}

func TestDecodeCommandOfHTTP(t *testing.T) {
	t.Parallel()
	c, err := wire.DecodeCommand([]byte(`{"id":"01940000-0000-7000-8000-0000000000c1","base":2,"type":"note","data":{"text":"x"}}`))
	require.NoError(t, err)
	require.Equal(t, stream.Command{ID: id(t, "c1"), Base: 2, Type: "note", Data: json.RawMessage(`{"text":"x"}`)}, c)
	_, err = wire.DecodeCommand([]byte(`{"id":"01940000-0000-7000-8000-0000000000c1","base":2,"type":"note"}`))
	require.True(t, fault.Is(err, fault.InvalidInput))
}

// FuzzDecode: whatever comes, Decode gives a message or a refusal, and a message written anew is read the same.
func FuzzDecode(f *testing.F) {
	for _, frame := range lines(f, "client.jsonl") {
		f.Add([]byte(frame))
	}
	f.Add([]byte(`{"say":"beat","n":1,"n":2}`))
	f.Add([]byte("{\"say\":\"\\ud800\"}"))
	f.Fuzz(func(t *testing.T, frame []byte) {
		m, _, err := wire.Decode(frame)
		if err != nil {
			var fe *fault.Error
			if !errors.As(err, &fe) || m != nil {
				t.Fatalf("message %v, error %v", m, err)
			}
			return
		}
		again, _, err := wire.Decode(rewrite(t, m))
		require.NoError(t, err)
		require.Equal(t, m, again)
	})
}

// rewrite writes a client's message as an independent encoder would.
func rewrite(t *testing.T, m wire.Incoming) []byte {
	t.Helper()
	var v map[string]any
	switch m := m.(type) {
	case wire.Hello:
		v = map[string]any{"say": "hello", "protocol": m.Protocol, "client": m.Client}
		if m.Token != "" {
			v["token"] = m.Token
		}
	case wire.Follow:
		v = map[string]any{"say": "follow", "stream": m.Stream, "after": m.After}
	case wire.Unfollow:
		v = map[string]any{"say": "unfollow", "stream": m.Stream}
	case wire.Reading:
		var data map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(m.Data, &data))
		v = map[string]any{"say": "reading", "stream": m.Stream, "n": m.N, "readings": data["readings"], "moved": data["moved"]}
	case wire.Beat:
		v = map[string]any{"say": "beat", "n": m.N}
	case wire.Command:
		head, err := json.Marshal(map[string]any{"id": m.Command.ID, "base": m.Command.Base, "type": m.Command.Type})
		require.NoError(t, err)
		ref, err := json.Marshal(m.Stream)
		require.NoError(t, err)
		return []byte(`{"say":"command","stream":` + string(ref) + `,"command":` + strings.TrimSuffix(string(head), "}") +
			`,"data":` + string(m.Command.Data) + `}}`)
	}
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	return raw
}
