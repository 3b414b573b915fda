package wire_test

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/spec"
	"readback/internal/wire"
)

func messagesOf(t *testing.T, operation string) (names []string) {
	t.Helper()
	for _, ref := range spec.At(t, spec.Document(t, "asyncapi.yaml"), "operations/"+operation+"/messages").([]any) {
		at := ref.(map[string]any)["$ref"].(string)
		names = append(names, at[strings.LastIndex(at, "/")+1:])
	}
	slices.Sort(names)
	return names
}

func said(t *testing.T, message string) string {
	t.Helper()
	return spec.At(t, spec.Document(t, "asyncapi.yaml"), "components/messages/"+message+"/payload/schema/properties/say/const").(string)
}

func payload(message string) string {
	return "asyncapi.yaml#/components/messages/" + message + "/payload/schema"
}

func framesOf(t *testing.T, file string) [][]byte {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/wire/" + file)
	require.NoError(t, err)
	return bytes.Split(bytes.TrimSpace(raw), []byte("\n"))
}

func sayOf(t *testing.T, frame []byte) string {
	t.Helper()
	var m struct{ Say string }
	require.NoError(t, json.Unmarshal(frame, &m))
	return m.Say
}

// TestClientMessagesAreThoseDescribed: the decoder names the messages it knows when it refuses one.
func TestClientMessagesAreThoseDescribed(t *testing.T) {
	t.Parallel()
	_, _, err := wire.Decode([]byte(`{"say":"shout"}`))
	known := strings.Split(strings.TrimPrefix(fault.Of(err).Fields[0].Want, "one of "), ", ")
	described := messagesOf(t, "clientSays")
	require.ElementsMatch(t, known, described)
	for _, name := range described {
		require.Equal(t, name, said(t, name))
	}
	for _, frame := range framesOf(t, "client.jsonl") {
		spec.Valid(t, payload(sayOf(t, frame)), frame)
	}
}

// TestServerMessagesAreThoseDescribed encodes one of each kind. That no kind is missing here, TestServerFrames keeps: it
// holds a frame of each.
func TestServerMessagesAreThoseDescribed(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, frame := range framesOf(t, "server.jsonl") {
		message := sayOf(t, frame)
		if message == "beat" {
			message = "beat-answered"
		}
		seen[message] = true
		if message != "entry" { // its body there is a sample that only tells bytes apart
			spec.Valid(t, payload(message), frame)
		}
	}
	outgoing := []wire.Outgoing{wire.Welcome{}, wire.Entry{Body: []byte("{}")}, wire.CaughtUp{}, wire.Accepted{}, wire.Refused{}, wire.Presence{Here: []byte("[]")}, wire.Live{Value: []byte(`{"n":1}`)}, wire.Ended{}, wire.Pulse{}}
	var says []string
	for _, m := range outgoing {
		says = append(says, sayOf(t, wire.Encode(m)))
	}
	var described []string
	for _, name := range messagesOf(t, "serverSays") {
		require.True(t, seen[name], "testdata/wire has no %s", name)
		described = append(described, said(t, name))
	}
	require.ElementsMatch(t, described, says)
	require.Len(t, seen, len(described))
}

// TestExamplesOfMessages executes every example: the strict decoder reads those of clients, and all are as their
// payload's schema says.
func TestExamplesOfMessages(t *testing.T) {
	t.Parallel()
	messages := spec.At(t, spec.Document(t, "asyncapi.yaml"), "components/messages").(map[string]any)
	described := append(messagesOf(t, "clientSays"), messagesOf(t, "serverSays")...)
	require.ElementsMatch(t, described, spec.Keys(messages), "each message is said by one side")
	for name, m := range messages {
		examples := m.(map[string]any)["examples"].([]any)
		require.NotEmpty(t, examples, name)
		for _, e := range examples {
			frame := spec.Text(t, e.(map[string]any)["payload"])
			spec.Valid(t, payload(name), frame)
			if slices.Contains(messagesOf(t, "clientSays"), name) {
				_, _, err := wire.Decode(frame)
				require.NoError(t, err, name)
			}
		}
	}
}

// TestFramesThatBothRefuse: what the decoder refuses of a frame, the description refuses too, and the other way round.
func TestFramesThatBothRefuse(t *testing.T) {
	t.Parallel()
	for _, frame := range framesOf(t, "client.jsonl") {
		var m map[string]any
		require.NoError(t, json.Unmarshal(frame, &m))
		at := payload(sayOf(t, frame))
		check := func() {
			raw, err := json.Marshal(m)
			require.NoError(t, err)
			_, _, decoder := wire.Decode(raw)
			require.Equal(t, decoder == nil, spec.Check(t, at, raw) == nil, "%s: %v", raw, decoder)
		}
		for key, was := range m {
			if key == "say" {
				continue
			}
			for _, wrong := range []any{nil, "", "x", -1, 1.5, true, []any{}, map[string]any{}, 1e300} {
				m[key] = wrong
				if wrong == "x" && key == "client" || wrong == "x" && key == "token" {
					continue
				}
				check()
			}
			delete(m, key)
			check()
			m[key] = was
		}
		m["extra"] = 1
		check()
	}
}

// TestCloseCodesAreThoseDescribed compares the table of close codes with the one in the description, sentence by sentence.
func TestCloseCodesAreThoseDescribed(t *testing.T) {
	t.Parallel()
	var described []wire.Closing
	for _, row := range spec.At(t, spec.Document(t, "asyncapi.yaml"), "channels/live/x-close-codes").([]any) {
		r := row.(map[string]any)
		code, err := r["code"].(json.Number).Int64()
		require.NoError(t, err)
		require.NotEmpty(t, r["when"])
		described = append(described, wire.Closing{
			Code: wire.CloseCode(code), Name: r["name"].(string), Resume: r["resume"].(bool), Reason: r["reason"].(string),
		})
	}
	require.Equal(t, wire.Closings(), described)
}

// TestProblemsAreThoseDescribed compares slugs, titles and statuses with those of problem.json, and wants a problem of
// each slug to be as it says.
func TestProblemsAreThoseDescribed(t *testing.T) {
	t.Parallel()
	var described []string
	for _, one := range spec.Document(t, "schema/problem.json")["oneOf"].([]any) {
		typ := spec.At(t, one, "properties/type/const").(string)
		slug := fault.Slug(strings.TrimPrefix(typ, "/problems/"))
		described = append(described, string(slug))
		p := wire.ProblemOf(fault.New(slug, "A sentence.", fault.Field{Name: "data.x", Want: "y"}))
		require.Equal(t, spec.At(t, one, "properties/title/const"), p.Title, slug)
		require.Equal(t, spec.At(t, one, "properties/status/const"), json.Number(spec.Text(t, p.Status)), slug)
		spec.Valid(t, "schema/problem.json", spec.Text(t, p))
		p.Status++
		require.Error(t, spec.Check(t, "schema/problem.json", spec.Text(t, p)))
	}
	var slugs []string
	for _, s := range fault.Slugs() {
		slugs = append(slugs, string(s))
	}
	require.ElementsMatch(t, slugs, described)
}

// admits says whether the rules of a kind know a command, by asking them.
func admits(rules stream.Rules, command string) bool {
	_, _, err := rules.Admit(stream.Command{Type: command, Data: json.RawMessage(`{}`)})
	return !fault.Is(err, fault.UnknownType)
}

// TestCommandsAreThoseDescribed: the rules take the commands described and no others, and read each example strictly.
func TestCommandsAreThoseDescribed(t *testing.T) {
	t.Parallel()
	known := map[string][]string{"calibration": calibration.Commands(), "job": job.Commands(), "register": register.Commands()}
	for kind, rules := range map[string]stream.Rules{"calibration": calibration.Rules{}, "job": job.Rules{}, "register": register.Rules{}} {
		file := "schema/" + kind + "-commands.json"
		doc := spec.Document(t, file)
		described := spec.Words(spec.At(t, doc, "properties/type/enum"))
		defs := doc["$defs"].(map[string]any)
		require.ElementsMatch(t, known[kind], described)
		require.ElementsMatch(t, described, spec.Keys(defs))
		for command, def := range defs {
			require.True(t, admits(rules, command), "%s: %s", kind, command)
			examples := def.(map[string]any)["examples"].([]any)
			require.NotEmpty(t, examples)
			for _, example := range examples {
				c := stream.Command{ID: stream.NewID(), Base: 1, Type: command, Data: spec.Text(t, example)}
				_, _, err := rules.Admit(c)
				require.NoError(t, err, "%s: %s", command, c.Data)
				spec.Valid(t, file, spec.Text(t, c))
				both(t, rules, file, c, example.(map[string]any))
			}
		}
	}
}

// both leaves out and adds keys of the example, and gives each other values, and wants the rules and the description to
// take and refuse the same.
func both(t *testing.T, rules stream.Rules, file string, c stream.Command, data map[string]any) {
	t.Helper()
	check := func() {
		c.Data = spec.Text(t, data)
		_, _, err := rules.Admit(c)
		described := spec.Check(t, file, spec.Text(t, c))
		require.Equal(t, err == nil, described == nil, "%s %s: %v\n%v", c.Type, c.Data, err, described)
	}
	for _, key := range spec.Keys(data) {
		was := data[key]
		delete(data, key)
		check()
		for _, wrong := range []any{nil, "", "\x01", 1.5, -60_000_000_000_000, []any{}, map[string]any{}, []any{"x"}, strings.Repeat("x", 2001), true, false} {
			data[key] = wrong
			check()
		}
		data[key] = was
	}
	data["extra"] = 1
	check()
	delete(data, "extra")
}
