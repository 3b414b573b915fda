package postgres

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/placement"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

// told receives until the value of the key is want, and gives the values it had before.
func told(t testing.TB, b *Bus, key, want string) (before []string) {
	t.Helper()
	for {
		select {
		case all := <-b.Told():
			for _, v := range all {
				if v.Key == key && string(v.Value) == want {
					return before
				}
				if v.Key == key {
					before = append(before, string(v.Value))
				}
			}
		case <-time.After(30 * time.Second): // far more than it can take, so that a failure has a name
			t.Fatalf("not told that %s is %s", key, want)
		}
	}
}

func TestTellOtherNodes(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{PollEvery: never})
	a, b, c := listen(t, d), listen(t, d), listen(t, d)

	require.NoError(t, a.Tell("x", []byte("1")))
	told(t, b, "x", "1")
	told(t, c, "x", "1")

	// Of many values of a key the newest counts: 200 at once take a few notifications, not 200.
	for n := range 200 {
		require.NoError(t, a.Tell("x", fmt.Appendf(nil, "n%d", n)))
	}
	require.Less(t, len(told(t, b, "x", "n199")), 3)

	// Both at once; and whoever tells does not hear it back.
	require.NoError(t, a.Tell("from a", []byte("1")))
	require.NoError(t, b.Tell("from b", []byte("1")))
	toldAll(t, c, "from a", "from b")
	toldAll(t, a, "from b")
	require.NoError(t, c.Tell("last", []byte("1")))
	require.NotContains(t, toldAll(t, a, "last"), "from a")
}

// toldAll receives until all of the keys were told, and gives all keys that were.
func toldAll(t testing.TB, b *Bus, keys ...string) (all []string) {
	t.Helper()
	for {
		for _, v := range <-b.Told() {
			all = append(all, v.Key)
		}
		if !slices.ContainsFunc(keys, func(key string) bool { return !slices.Contains(all, key) }) {
			return all
		}
	}
}

// TestTellMore tells more than one notification holds: each value once, in several notifications, no longer than allowed.
func TestTellMore(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{PollEvery: never})
	a, b := listen(t, d), listen(t, d)
	want := map[string]string{}
	for i := range 12 {
		want[fmt.Sprint("k", i)] = noise(3000)
	}
	for key, value := range want {
		require.NoError(t, a.Tell(key, []byte(value)))
	}
	got := map[string]string{}
	for len(got) < len(want) {
		for _, v := range <-b.Told() {
			got[v.Key] = string(v.Value)
		}
	}
	require.Equal(t, want, got)

	require.NoError(t, a.Tell("text", []byte(strings.Repeat(`{"quantity":"distance"}`, 1000))), "what packs well may be long")
	require.True(t, fault.Is(a.Tell("noise", []byte(noise(9000))), fault.TooLarge))
	told(t, b, "text", strings.Repeat(`{"quantity":"distance"}`, 1000))
}

// noise packs as badly as text does.
func noise(n int) string {
	var b strings.Builder
	for range n {
		b.WriteByte(byte(33 + rand.IntN(90)))
	}
	return b.String()
}

// TestTellAfterABreak: the listener's process is ended. What was told meanwhile may be lost, and it says so.
func TestTellAfterABreak(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	speaker, hearer := open(t, url, Options{}), open(t, url, Options{PollEvery: never})
	b := listen(t, hearer)
	a := listen(t, speaker)
	require.True(t, one[bool](t, superuser(t, url), `
		select bool_and(pg_terminate_backend(pid, 10000)) from pg_stat_activity
		where datname = current_database() and query like 'listen readback;%'`))
	for some := range b.Told() {
		if len(some) == 0 {
			break
		}
	}
	require.NoError(t, a.Tell("x", []byte("again")))
	told(t, b, "x", "again")
}

func TestPackAndUnpack(t *testing.T) {
	t.Parallel()
	var p packer
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.MapOfN(rapid.StringN(0, 40, 80), rapid.SliceOfN(rapid.Byte(), 0, 4000), 1, 30).Draw(t, "values")
		var order []string
		for key := range maps.Keys(values) {
			order = append(order, key)
		}
		payload, n := p.pack(7, order, values)
		require.Positive(t, n)
		require.LessOrEqual(t, len(payload), mostPayload)
		node, got, err := unpack(payload)
		require.NoError(t, err)
		require.Equal(t, live.Node(7), node)
		require.Len(t, got, n)
		for i, v := range got {
			require.Equal(t, order[i], v.Key)
			require.Equal(t, string(values[order[i]]), string(v.Value))
		}
	})
}

func FuzzUnpack(f *testing.F) {
	var p packer
	payload, _ := p.pack(1, []string{"a", "b"}, map[string][]byte{"a": []byte("{}"), "b": nil})
	f.Add(payload)
	f.Add("")
	f.Add("*")
	f.Add("AAAAAAAAAAAA")
	f.Fuzz(func(t *testing.T, payload string) {
		_, values, err := unpack(payload)
		total := 0
		for _, v := range values {
			total += len(v.Key) + len(v.Value)
		}
		require.LessOrEqual(t, total, mostToldRaw)
		require.True(t, err == nil || values == nil)
	})
}

// TestTellTheLargestLiveValue: whatever live readings come to, one notification holds it: the most readings that a message
// has, over the most that stand, each with numbers as long as they get.
func TestTellTheLargestLiveValue(t *testing.T) {
	t.Parallel()
	long := func() *int64 { n := 1_000_000 + rand.Int64N(9_000_000); return &n }
	v := calibration.Live{Position: strings.Repeat("p", 40), Moved: true}
	for range calibration.MaxLive {
		v.Readings = append(v.Readings, calibration.Reading{
			Quantity: "span", From: "front-right-hub", To: "right-end", Instrument: stream.NewID(), PointingUM: *long(), ValueUM: long(),
		})
	}
	v.Verdict = calibration.Verdict{Verdict: "remeasure", ChiSquarePPM: long(), Aim: &calibration.Aim{AzimuthUdeg: *long(), At100MLeftUM: *long()}, Pose: &calibration.Pose{
		Origin: calibration.PointUM{X: *long(), Y: *long(), Z: *long()}, LeftEnd: calibration.PointUM{X: *long(), Y: *long(), Z: *long()},
		RightEnd: calibration.PointUM{X: *long(), Y: *long(), Z: *long()}, YawUdeg: *long(),
	}}
	for i := range placement.MaxReadings {
		v.Verdict.Readings = append(v.Verdict.Readings, calibration.Appraisal{StandardisedResidualPPM: *long(), RedundancyPPM: *long(), SmallestErrorUM: long()})
		v.Verdict.Suspects = append(v.Verdict.Suspects, calibration.Suspect{Reading: i, LikelyErrorUM: long()})
		v.Verdict.ReliesOn = append(v.Verdict.ReliesOn, calibration.Rests{Reading: i, Quantity: "distance"})
	}
	for _, q := range []string{"distance", "lateral", "height", "yaw", "roll", "tilt"} {
		v.Verdict.Judged = append(v.Verdict.Judged, calibration.Judged{Quantity: q, DeviationUM: long(), StandardUncertaintyUM: long(), ToleranceUM: long(), ConformancePPM: *long()})
		v.Verdict.Moves = append(v.Verdict.Moves, calibration.Move{Move: "turn", LeftEnd: "towards-car", ByUdeg: long(), EndUM: long()})
		v.Verdict.Nudge = append(v.Verdict.Nudge, calibration.Move{Move: "turn", LeftEnd: "towards-car", ByUdeg: long(), EndUM: long()})
	}
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	var p packer
	payload, _ := p.pack(1, []string{"k"}, map[string][]byte{"k": raw})
	t.Logf("%d bytes in %d characters", len(raw), len(payload))
	require.LessOrEqual(t, len(payload), mostPayload)
}
