package wire_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wire"
)

func hash(b byte) (h stream.Hash) {
	for i := range h {
		h[i] = b
	}
	return h
}

func TestEncodeWritesEveryMessageOfTheServer(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 11, 25, 10, 20, 30, 123_456_789, time.UTC)
	cal := stream.Ref{Kind: stream.Calibration, ID: id(t, "1")}
	cmd := id(t, "c1")
	bad := fault.Badly("command.data.side", "left, right or centre")
	messages := []wire.Outgoing{
		wire.Welcome{Connection: id(t, "aa"), Member: id(t, "b1"), Org: id(t, "b0"),
			Roles: []stream.Role{stream.Technician, stream.Owner}, HeartbeatS: 15, Now: wire.Instant(at),
			Expires: wire.Instant(at.Truncate(time.Second).Add(12 * time.Hour)), Protocol: wire.Protocol},
		wire.Entry{Stream: cal, Seq: 18, Hash: hash(1), Body: json.RawMessage("{\"a\":\"<&>\u2028\u2029é\",\"seq\":18}"),
			Opened: map[string]string{"/command/data/text": "left < right"}},
		wire.Entry{Stream: stream.Ref{Kind: stream.Register, ID: id(t, "b0")}, Seq: 1, Hash: hash(2), Body: json.RawMessage(`{"seq":1}`)},
		wire.CaughtUp{Stream: cal, Seq: 18},
		wire.Accepted{Stream: cal, Command: cmd, Seq: 19, Hash: hash(3), Type: "read-back",
			At: wire.Instant(at.In(time.FixedZone("", 3600)).Truncate(time.Second).Add(time.Second))},
		wire.Refused{Stream: &cal, Command: &cmd, Problem: wire.ProblemOf(bad)},
		wire.Refused{Problem: wire.ProblemOf(fault.New(fault.Malformed, "The input is not valid UTF-8."))},
		wire.Presence{Stream: cal, Here: json.RawMessage(`[{"member":"01940000-0000-7000-8000-0000000000b1","org":"01940000-0000-7000-8000-0000000000b0","roles":["technician"],"relation":"own"}]`)},
		wire.Live{Stream: cal, Value: json.RawMessage(`{"n":7,"seq":19,"at":"2026-11-25T10:20:32.100Z","member":"01940000-0000-7000-8000-0000000000b1","gone":true}`)},
		wire.Ended{Stream: cal, Reason: "out-of-sight"},
		wire.Pulse{N: 4, Now: wire.Instant(at.Truncate(time.Second).Add(15 * time.Second))},
	}
	frames := lines(t, "server.jsonl")
	require.Len(t, messages, len(frames))
	for i, want := range frames {
		got := wire.Encode(messages[i])
		require.Equal(t, want, string(got))
		require.True(t, json.Valid(got))
	}
}

func TestEverySlugHasAStatusThatFitsItsKind(t *testing.T) {
	t.Parallel()
	for _, slug := range fault.Slugs() {
		status := wire.StatusOf(slug)
		switch fault.KindOf(slug) {
		case fault.Internal:
			require.Equal(t, 500, status, slug)
		case fault.Unavailable:
			require.Contains(t, []int{429, 503}, status, slug) // RFC 6585 section 4, RFC 9110 section 15.6.4
		case fault.Denied:
			require.Contains(t, []int{401, 403}, status, slug)
		default:
			require.GreaterOrEqual(t, status, 400, slug)
			require.Less(t, status, 500, slug)
		}
	}
}

func TestAProblemKeepsTheCauseToItself(t *testing.T) {
	t.Parallel()
	p := wire.ProblemOf(fault.Of(json.Unmarshal([]byte(`{"secret"`), new(any))))
	raw, err := json.Marshal(p)
	require.NoError(t, err)
	require.Equal(t, "/problems/internal-fault", p.Type)
	require.NotContains(t, string(raw), "unexpected end")
}

// RFC 6455: a close frame's payload is at most 125 bytes, two of them the code (5.5, 5.5.1), in UTF-8; 4000–4999 are for
// private use and the low codes mean what 7.4.1 says.
func TestCloseTable(t *testing.T) {
	t.Parallel()
	names := map[string]bool{}
	last := wire.CloseCode(0)
	for _, row := range wire.Closings() {
		require.LessOrEqual(t, len(row.Reason), 123, row.Name)
		require.NotEmpty(t, row.Reason)
		require.False(t, names[row.Name], row.Name)
		names[row.Name] = true
		require.Greater(t, row.Code, last, "in order")
		last = row.Code
		require.Equal(t, row.Reason, row.Code.Reason())
		require.Equal(t, row.Resume, row.Code.Resumes())
		if row.Code >= 1012 {
			require.Equal(t, row.Code < 4100, row.Resume, "%s: the rule of the ranges", row.Name)
			require.True(t, row.Code >= 4000 && row.Code <= 4199, row.Name)
		}
	}
	require.True(t, wire.CloseCode(4055).Resumes())
	require.False(t, wire.CloseCode(4177).Resumes())
	require.True(t, wire.CloseCode(1006).Resumes(), "no close frame at all: RFC 6455 section 7.1.5")
	require.True(t, strings.Contains(wire.CloseTooLong.Reason(), "65536") && wire.MaxFrame == 65536)
}
