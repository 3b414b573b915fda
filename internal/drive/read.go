package drive

import (
	"fmt"

	"readback/internal/strict"
)

// What a log may hold at most.
const (
	MaxSamples       = 5000
	MaxSegments      = 1000
	MaxInterruptions = 100
	MaxCSVBytes      = 128 << 10
)

// maxSeconds is the longest drive in seconds.
const maxSeconds = longestMS / msPerSecond

// Read reads the log from one of the keys samples, segments and csv.
func Read(o *strict.Object) Log {
	forms := 0
	for _, key := range []string{"samples", "segments", "csv"} {
		if o.Has(key) {
			forms++
		}
	}
	if forms != 1 && o.There() {
		o.Reject("samples", "what was driven in one form: samples, segments or csv")
	}
	switch {
	case o.Has("csv"):
		return readCSV(o, "csv")
	case o.Has("segments"):
		return readSegments(o)
	case o.Has("samples"):
		return readSamples(o)
	}
	return Log{}
}

func readSamples(o *strict.Object) Log {
	var samples []sample
	for _, each := range o.OptObjects("samples", 2, MaxSamples) {
		s := sample{each.Int("at_s", 0, maxSeconds) * msPerSecond, each.Int("speed_kmh", 0, fastestMH/mPerKM) * mPerKM}
		if n := len(samples); n > 0 && each.Has("at_s") && s.atMS <= samples[n-1].atMS {
			each.Reject("at_s", fmt.Sprintf("above %d, which is the sample's before: samples stand in order of time", samples[n-1].atMS/msPerSecond))
			continue
		}
		samples = append(samples, s)
	}
	return sampled(samples)
}

func readSegments(o *strict.Object) Log {
	var l Log
	for _, each := range o.OptObjects("segments", 1, MaxSegments) {
		s := stretch{fromMS: each.Int("from_s", 0, maxSeconds) * msPerSecond, toMS: each.Int("to_s", 0, maxSeconds) * msPerSecond}
		s.lowMH, s.highMH = each.Int("lowest_kmh", 0, fastestMH/mPerKM)*mPerKM, each.Int("highest_kmh", 0, fastestMH/mPerKM)*mPerKM
		s.twiceMH = 2 * s.lowMH
		switch {
		case s.fromMS < l.endMS:
			each.Reject("from_s", fmt.Sprintf("at least %d, where the segment before ends: segments stand in order of time", l.endMS/msPerSecond))
		case each.Has("to_s") && s.toMS <= s.fromMS:
			each.Reject("to_s", fmt.Sprintf("above from_s, which is %d", s.fromMS/msPerSecond))
		case each.Has("highest_kmh") && s.highMH < s.lowMH:
			each.Reject("highest_kmh", fmt.Sprintf("at least lowest_kmh, which is %d", s.lowMH/mPerKM))
		default:
			l.stretches, l.endMS = append(l.stretches, s), s.toMS
		}
	}
	return l
}

// ReadInterruptions reads the parts that do not count.
func ReadInterruptions(o *strict.Object, key string) []Interruption {
	var all []Interruption
	last := int64(0)
	for _, each := range o.OptObjects(key, 1, MaxInterruptions) {
		i := Interruption{FromS: each.Int("from_s", 0, maxSeconds), ToS: each.Int("to_s", 0, maxSeconds), Why: each.Enum("why", Whys()...)}
		switch {
		case i.FromS < last:
			each.Reject("from_s", fmt.Sprintf("at least %d, where the interruption before ends", last))
		case each.Has("to_s") && i.ToS <= i.FromS:
			each.Reject("to_s", fmt.Sprintf("above from_s, which is %d", i.FromS))
		default:
			all, last = append(all, i), i.ToS
		}
	}
	return all
}
