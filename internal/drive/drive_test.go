package drive

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/strict"
)

func n(v int64) *int64 { return &v }

// band is a window of speed alone, both ends in it.
func band(low, high int64) procedure.Window {
	return procedure.Window{Name: "w", SpeedKMH: procedure.Range{Lower: n(low), Upper: n(high)}}
}

func read(t require.TestingT, data string) Log {
	o := strict.Read([]byte(data), "data")
	l := Read(o)
	require.NoError(t, o.Close(), data)
	return l
}

func refused(t *testing.T, data string) []fault.Field {
	o := strict.Read([]byte(data), "data")
	Read(o)
	ReadInterruptions(o, "interrupted")
	err := o.Close()
	require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)
	return fault.Of(err).Fields
}

// Steady 90 km/h for 600 s are 15 km, by the definition of speed.
func TestSteadyDrive(t *testing.T) {
	t.Parallel()
	for _, data := range []string{
		`{"segments":[{"from_s":0,"to_s":600,"lowest_kmh":90,"highest_kmh":90}]}`,
		`{"samples":[` + steady(0, 600, 10, 90) + `]}`,
		`{"csv":"time_s,speed_kmh\n` + strings.ReplaceAll(steadyCSV(0, 600, 10, "90.000"), "\n", `\n`) + `"}`,
	} {
		w := band(60, 100)
		w.Minutes, w.DistanceM = procedure.Range{Lower: n(10)}, procedure.Range{Lower: n(15_000)}
		require.Equal(t, Checked{Window: "w", WithinS: 600, LongestS: 600, DistanceM: 15_000, Met: true}, Check(read(t, data), nil, []procedure.Window{w})[0])
		w.Minutes.Lower, w.DistanceM.Lower = n(11), n(15_001)
		require.Equal(t, Checked{Window: "w", WithinS: 600, LongestS: 600, DistanceM: 15_000, MissingS: 60, MissingM: 1}, Check(read(t, data), nil, []procedure.Window{w})[0])
	}
}

func steady(from, to, step, kmh int) string {
	var all []string
	for at := from; at <= to; at += step {
		all = append(all, fmt.Sprintf(`{"at_s":%d,"speed_kmh":%d}`, at, kmh))
	}
	return strings.Join(all, ",")
}

func steadyCSV(from, to, step int, kmh string) string {
	var b strings.Builder
	for at := from; at <= to; at += step {
		fmt.Fprintf(&b, "%d,%s\n", at, kmh)
	}
	return b.String()
}

// From 0 to 36 km/h in 10 s at a steady rate is 50 m: half the way of 10 s at 10 m/s.
func TestWayBetweenSamplesIsByTheirMean(t *testing.T) {
	t.Parallel()
	l := read(t, `{"samples":[{"at_s":0,"speed_kmh":0},{"at_s":10,"speed_kmh":36}]}`)
	require.Equal(t, int64(50), Check(l, nil, []procedure.Window{band(0, 36)})[0].DistanceM)
}

func TestEndsOfABandAreInIt(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		low, high, want int64
	}{{60, 100, 10}, {61, 100, 0}, {60, 99, 0}} {
		l := read(t, `{"segments":[{"from_s":0,"to_s":10,"lowest_kmh":60,"highest_kmh":100}]}`)
		require.Equal(t, c.want, Check(l, nil, []procedure.Window{band(c.low, c.high)})[0].WithinS)
	}
	l := read(t, `{"csv":"time_s;speed_kmh\n0;60,000\n10;100,001\n20;100,000\n25;60"}`)
	require.Equal(t, int64(5), Check(l, nil, []procedure.Window{band(60, 100)})[0].WithinS)
}

// A gap of 10 s counts, one of more does not, and breaks the time without a break.
func TestGaps(t *testing.T) {
	t.Parallel()
	l := read(t, `{"csv":"time_s,speed_kmh\n0,80\n10,80\n20.001,80\n30,80"}`)
	require.Equal(t, int64(10), l.UnrecordedS())
	c := Check(l, nil, []procedure.Window{band(60, 100)})[0]
	require.Equal(t, int64(19), c.WithinS) // 10 s and 9.999 s
	require.Equal(t, int64(10), c.LongestS)
}

func TestStandingIsNotDriving(t *testing.T) {
	t.Parallel()
	l := read(t, `{"segments":[{"from_s":0,"to_s":300,"lowest_kmh":0,"highest_kmh":0},{"from_s":300,"to_s":320,"lowest_kmh":1,"highest_kmh":50}]}`)
	open := procedure.Window{Name: "town", SpeedKMH: procedure.Range{Upper: n(50)}}
	require.Equal(t, int64(20), Check(l, nil, []procedure.Window{open})[0].WithinS)
	require.Equal(t, int64(320), Check(l, nil, []procedure.Window{band(0, 50)})[0].WithinS, "the source says from 0")
}

func TestWithoutABreak(t *testing.T) {
	t.Parallel()
	w := band(60, 100)
	w.Minutes, w.Unbroken = procedure.Range{Lower: n(10), Upper: n(12)}, true
	l := read(t, `{"segments":[{"from_s":0,"to_s":400,"lowest_kmh":60,"highest_kmh":90},{"from_s":400,"to_s":401,"lowest_kmh":50,"highest_kmh":90},{"from_s":401,"to_s":900,"lowest_kmh":60,"highest_kmh":90}]}`)
	require.Equal(t, Checked{Window: "w", WithinS: 899, LongestS: 499, DistanceM: 14_983, MissingS: 101, Beyond: true}, Check(l, nil, []procedure.Window{w})[0])
	w.Unbroken = false
	require.True(t, Check(l, nil, []procedure.Window{w})[0].Met, "longer than the source says is something to know, not a failure")
}

func TestInterruptions(t *testing.T) {
	t.Parallel()
	l := read(t, `{"segments":[{"from_s":0,"to_s":600,"lowest_kmh":36,"highest_kmh":90}]}`)
	c := Check(l, []Interruption{{FromS: 0, ToS: 10}, {FromS: 100, ToS: 200}, {FromS: 590, ToS: 700}}, []procedure.Window{band(36, 90)})[0]
	require.Equal(t, Checked{Window: "w", WithinS: 480, LongestS: 390, DistanceM: 4800, Met: true}, c)
	sampled := read(t, `{"samples":[{"at_s":0,"speed_kmh":36},{"at_s":10,"speed_kmh":72}]}`)
	c = Check(sampled, []Interruption{{FromS: 4, ToS: 6}}, []procedure.Window{band(36, 90)})[0]
	require.Equal(t, int64(8), c.WithinS)
	require.Equal(t, int64(80), c.DistanceM, "what is left of a cut stretch counts with its lowest speed")
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ data, at, want string }{
		{`{}`, "data.samples", "in one form"},
		{`{"csv":"x","samples":[]}`, "data.samples", "in one form"},
		{`{"samples":[{"at_s":0,"speed_kmh":50}]}`, "data.samples", "2 to 5000"},
		{`{"samples":[{"at_s":5,"speed_kmh":50},{"at_s":5,"speed_kmh":50}]}`, "data.samples[1].at_s", "in order of time"},
		{`{"samples":[{"at_s":0,"speed_kmh":251},{"at_s":5,"speed_kmh":50}]}`, "data.samples[0].speed_kmh", "250"},
		{`{"segments":[{"from_s":9,"to_s":9,"lowest_kmh":50,"highest_kmh":60}]}`, "data.segments[0].to_s", "above from_s"},
		{`{"segments":[{"from_s":0,"to_s":9,"lowest_kmh":60,"highest_kmh":59}]}`, "data.segments[0].highest_kmh", "at least"},
		{`{"segments":[{"from_s":0,"to_s":9,"lowest_kmh":6,"highest_kmh":9},{"from_s":8,"to_s":9,"lowest_kmh":6,"highest_kmh":9}]}`, "data.segments[1].from_s", "in order of time"},
		{`{"csv":"time,speed\n0,60"}`, "data.csv, line 1", "time_s,speed_kmh"},
		{`{"csv":"time_s,speed_mph\n0,60"}`, "data.csv, line 1", "km/h"},
		{`{"csv":"time_s,speed_kmh\n0,60"}`, "data.csv", "two lines"},
		{`{"csv":"time_s,speed_kmh\n0,60\n1,60,5"}`, "data.csv, line 3", "not 3"},
		{`{"csv":"time_s,speed_kmh\n0,60\n1,-5"}`, "data.csv, line 3", "speed of 0"},
		{`{"csv":"time_s,speed_kmh\n0,60\n1,6e1"}`, "data.csv, line 3", "speed of 0"},
		{`{"csv":"time_s,speed_kmh\n0,60\n1.0005,60"}`, "data.csv, line 3", "three decimals"},
		{`{"csv":"time_s,speed_kmh\n0,60\n90000,60"}`, "data.csv, line 3", "86400"},
		{`{"csv":"time_s,speed_kmh\n3,60\n3,61"}`, "data.csv, line 3", "in order of time"},
		{`{"samples":[{"at_s":0,"speed_kmh":5},{"at_s":5,"speed_kmh":5}],"interrupted":[{"from_s":3,"to_s":3,"why":"road"}]}`, "data.interrupted[0].to_s", "above"},
		{`{"samples":[{"at_s":0,"speed_kmh":5},{"at_s":5,"speed_kmh":5}],"interrupted":[{"from_s":3,"to_s":4,"why":"road"},{"from_s":3,"to_s":5,"why":"road"}]}`, "data.interrupted[1].from_s", "at least 4"},
	} {
		fields := refused(t, c.data)
		require.Equal(t, c.at, fields[0].Name, c.data)
		require.Contains(t, fields[0].Want, c.want)
	}
}

// Every wrong line is found: named one by one, and of very many the rest by number.
func TestEveryWrongLineIsListed(t *testing.T) {
	t.Parallel()
	fields := refused(t, `{"csv":"time_s,speed_kmh\n0,60\nx,60\n1,60\n\n2,60 mph\n3,60"}`)
	require.Equal(t, []string{"data.csv, line 3", "data.csv, line 6"}, []string{fields[0].Name, fields[1].Name})
	many := refused(t, `{"csv":"time_s,speed_kmh\n`+strings.Repeat(`x,x\n`, 100)+`"}`)
	require.Len(t, many, mostNamed+1)
	require.Contains(t, many[mostNamed].Want, "100 are wrong")
	long := refused(t, `{"csv":"time_s,speed_kmh\n`+strings.ReplaceAll(steadyCSV(0, maxCSVSamples, 1, "9"), "\n", `\n`)+`"}`)
	require.Contains(t, long[0].Want, "at most 10000 lines")
}

// drawn is a drive in segments, some apart, none overlapping.
func drawn(t *rapid.T) Log {
	var l Log
	for range rapid.IntRange(1, 12).Draw(t, "segments") {
		from := l.endMS + rapid.Int64Range(0, 2).Draw(t, "apart")*1000
		to := from + rapid.Int64Range(1, 400_000).Draw(t, "ms")
		low := rapid.Int64Range(0, 120).Draw(t, "low") * 1000
		high := low + rapid.Int64Range(0, 40).Draw(t, "wide")*1000
		l.stretches, l.endMS = append(l.stretches, stretch{from, to, low, high, 2 * low}), to
	}
	return l
}

func drawnWindow(t *rapid.T) procedure.Window {
	w := band(rapid.Int64Range(0, 80).Draw(t, "from"), rapid.Int64Range(81, 160).Draw(t, "to"))
	w.Minutes = procedure.Range{Lower: n(rapid.Int64Range(0, 20).Draw(t, "least")), Upper: n(rapid.Int64Range(21, 30).Draw(t, "most"))}
	w.DistanceM = procedure.Range{Lower: n(rapid.Int64Range(0, 20_000).Draw(t, "metres"))}
	w.Unbroken = rapid.Bool().Draw(t, "unbroken")
	return w
}

func drawnInterruptions(t *rapid.T) (all []Interruption) {
	last := int64(0)
	for range rapid.IntRange(0, 3).Draw(t, "interruptions") {
		i := Interruption{FromS: last + rapid.Int64Range(0, 500).Draw(t, "from")}
		i.ToS = i.FromS + rapid.Int64Range(1, 300).Draw(t, "for")
		all, last = append(all, i), i.ToS
	}
	return all
}

// More driving never takes anything back: whatever is driven after a drive, nothing becomes less and no window is unmet.
func TestMoreDrivingNeverUnmeets(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, w := drawn(t), []procedure.Window{drawnWindow(t)}
		stop := drawnInterruptions(t)
		more := Log{stretches: slices.Clone(l.stretches), endMS: l.endMS}
		for _, s := range drawn(t).stretches {
			s.fromMS, s.toMS = s.fromMS+l.endMS, s.toMS+l.endMS
			more.stretches = append(more.stretches, s)
		}
		was, is := Check(l, stop, w)[0], Check(more, stop, w)[0]
		require.False(t, was.Met && !is.Met)
		require.GreaterOrEqual(t, is.WithinS, was.WithinS)
		require.GreaterOrEqual(t, is.LongestS, was.LongestS)
		require.GreaterOrEqual(t, is.DistanceM, was.DistanceM)
	})
}

// Where a segment is cut in two, nothing changes.
func TestSplittingChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, w, stop := drawn(t), []procedure.Window{drawnWindow(t)}, drawnInterruptions(t)
		i := rapid.IntRange(0, len(l.stretches)-1).Draw(t, "which")
		s := l.stretches[i]
		if s.toMS-s.fromMS < 2 {
			return
		}
		at := rapid.Int64Range(s.fromMS+1, s.toMS-1).Draw(t, "where")
		first, second := s, s
		first.toMS, second.fromMS = at, at
		split := Log{stretches: slices.Replace(slices.Clone(l.stretches), i, i+1, first, second), endMS: l.endMS}
		require.Equal(t, Check(l, stop, w), Check(split, stop, w))
	})
}

// A drive made up second by second counts as one walks through it second by second.
func TestAgainstSecondBySecond(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(1, 2))
	for range 50 {
		speeds := make([]int64, 900)
		for i := range speeds {
			speeds[i] = 70
			if i > 0 {
				speeds[i] = min(max(speeds[i-1]+int64(random.IntN(5))-2, 0), 130)
			}
		}
		var samples []sample
		var within, longest, run, twice int64
		for i, v := range speeds {
			samples = append(samples, sample{int64(i) * 1000, v * 1000})
			in := i > 0 && v >= 60 && v <= 80 && speeds[i-1] >= 60 && speeds[i-1] <= 80
			if run++; !in {
				run = 0
				continue
			}
			within, longest, twice = within+1, max(longest, run), twice+v+speeds[i-1]
		}
		c := Check(sampled(samples), nil, []procedure.Window{band(60, 80)})[0]
		require.Equal(t, []int64{within, longest, twice * 1000 / 7200}, []int64{c.WithinS, c.LongestS, c.DistanceM}) // km/h · s / 3.6, of the mean
	}
}

func FuzzRead(f *testing.F) {
	f.Add("time_s,speed_kmh\n0,60\n1,60.5\n")
	f.Add("time [s];speed [km/h]\r\n0;60,5\r\n1;61\r\n")
	f.Fuzz(func(t *testing.T, text string) {
		o := strict.Read(fmt.Appendf(nil, `{"csv":%q}`, text), "data")
		l := Read(o)
		if o.Close() != nil {
			return
		}
		c := Check(l, nil, []procedure.Window{band(0, 250)})[0]
		require.LessOrEqual(t, c.WithinS*1000, l.endMS)
		require.GreaterOrEqual(t, c.DistanceM, int64(0))
	})
}
