package client

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/wire"
)

func fixture(t *testing.T, name string) []string {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/wire/" + name)
	require.NoError(t, err)
	return strings.Split(strings.TrimSuffix(string(raw), "\n"), "\n")
}

// testdata/wire/README.md: both sides stand on the same frames.
func TestWhatIsSaid(t *testing.T) {
	t.Parallel()
	cal := Ref{"calibration", "01940000-0000-7000-8000-000000000001"}
	cmd, err := Command{ID: "01940000-0000-7000-8000-0000000000c1", Base: 17, Type: "read-back",
		Data: json.RawMessage(`{"step":3,"value_um":620000,"side":"left"}`)}.filled()
	require.NoError(t, err)
	distance := []map[string]any{{"quantity": "datum-distance", "instrument": "01940000-0000-7000-8000-0000000000c1", "value_um": 2000400}}
	for i, m := range []any{
		helloMessage{"hello", protocol, "example/1.0", "aaa.bbb.ccc"},
		followMessage{"follow", cal, 17},
		unfollowMessage{"unfollow", Ref{"job", "01940000-0000-7000-8000-000000000002"}},
		commandMessage{"command", cal, cmd},
		readingMessage{"reading", cal, Reading{N: 7, Moved: true, Readings: distance}},
		readingMessage{"reading", cal, Reading{N: 8, Readings: distance}},
		beatMessage{"beat", 4},
	} {
		frame, err := encode(m)
		require.NoError(t, err)
		if want := fixture(t, "client.jsonl")[i]; i == 4 || i == 5 {
			require.JSONEq(t, want, string(frame), "readings are maps: the order of their keys is another")
		} else {
			require.Equal(t, want, string(frame))
		}
	}
}

func TestWhatIsHeard(t *testing.T) {
	t.Parallel()
	var all []answer
	for _, frame := range fixture(t, "server.jsonl") {
		a, err := decode([]byte(frame))
		require.NoError(t, err)
		all = append(all, a)
	}
	cal := &Ref{"calibration", "01940000-0000-7000-8000-000000000001"}
	require.Equal(t, "01940000-0000-7000-8000-0000000000b1", all[0].Member)
	require.Equal(t, 15, all[0].HeartbeatS)
	require.Equal(t, time.Date(2026, 11, 25, 22, 20, 30, 0, time.UTC), all[0].Expires)
	require.Equal(t, "{\"a\":\"<&>\u2028\u2029é\",\"seq\":18}", string(all[1].Body), "byte for byte")
	require.Equal(t, map[string]string{"/command/data/text": "left < right"}, all[1].Opened)
	require.Equal(t, cal, all[3].Stream)
	require.Equal(t, uint64(18), all[3].Seq)
	require.Equal(t, "read-back", all[4].Type)
	require.Equal(t, ProblemField{"command.data.side", "left, right or centre"}, all[5].Problem.Errors[0])
	require.Equal(t, "malformed", all[6].Problem.Slug())
	require.Equal(t, []string{"technician"}, all[7].Here[0].Roles)
	require.Equal(t, uint64(7), *all[8].N)
	require.True(t, all[8].Gone)
	require.Equal(t, "out-of-sight", all[9].Reason)
	require.Equal(t, uint64(4), *all[10].N)
}

func TestTheCloseCodesMeanWhatTheServerSays(t *testing.T) {
	t.Parallel()
	for _, row := range wire.Closings() {
		require.Equal(t, row.Resume, !final(&Closed{Code: int(row.Code)}), row.Name)
	}
	require.False(t, final(&Closed{Code: 4055}))
	require.True(t, final(&Closed{Code: 4155}))
	require.Equal(t, wire.Subprotocol, subprotocol)
	require.Equal(t, wire.Protocol, protocol)
}

func TestPausesGrowAndDiffer(t *testing.T) {
	t.Parallel()
	for failures, most := range map[int]time.Duration{0: 200 * time.Millisecond, 1: 200 * time.Millisecond, 2: 400 * time.Millisecond, 5: 3200 * time.Millisecond, 6: 6400 * time.Millisecond, 7: 10 * time.Second, 1000: 10 * time.Second} {
		seen := map[time.Duration]bool{}
		for range 20 {
			d := pause(failures)
			require.GreaterOrEqual(t, d, most/2, failures)
			require.Less(t, d, most, failures)
			seen[d] = true
		}
		require.Greater(t, len(seen), 1)
	}
}
