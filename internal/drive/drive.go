// Package drive holds what was driven on the road against the windows of a procedure.
//
// A Log is a list of stretches in order of time, each with the lowest and the highest speed in it. What always holds:
//
//   - Only what is recorded counts. Between two samples more than LongestGap apart nothing is known: that time lies
//     outside every window. So does an interruption.
//   - A stretch counts in a window if all its speeds are in the band, ends included. Where the window states no lowest
//     speed, standing still is not driving and does not count.
//   - More driving in a window never unmeets it: a largest time or distance is no limit but something to know.
//   - Whole numbers throughout: milliseconds, metres per hour. Nothing is rounded before it is compared.
//
// The package is pure. A Log is not changed once it is made and may be read by any goroutine.
package drive

import (
	"time"
)

// LongestGap is how far two samples may be apart for the time between them to count.
const LongestGap = 10 * time.Second

// Longest is the longest drive that a log holds.
const Longest = 24 * time.Hour

const (
	msPerSecond = 1000
	mPerKM      = 1000
	longestMS   = int64(Longest / time.Millisecond)
	gapMS       = int64(LongestGap / time.Millisecond)
	fastestMH   = 250 * mPerKM // metres per hour: as far as a window's speed goes
)

// Log is a drive as it was recorded.
type Log struct {
	stretches    []stretch
	endMS        int64 // the last moment recorded, from the start of the drive
	unrecordedMS int64 // in gaps between samples
}

// stretch is a part of the drive in which the speed stayed between two values.
type stretch struct {
	fromMS, toMS int64
	lowMH        int64 // metres per hour
	highMH       int64
	twiceMH      int64 // both ends' speeds added: twice the mean. Where only the range is known, twice the lowest
}

// sample is a speed at a moment.
type sample struct {
	atMS    int64
	speedMH int64
}

// sampled joins samples, which are in order, to a log.
func sampled(samples []sample) Log {
	var l Log
	for i, s := range samples {
		l.endMS = s.atMS
		if i == 0 {
			continue
		}
		was := samples[i-1]
		if s.atMS-was.atMS > gapMS {
			l.unrecordedMS += s.atMS - was.atMS
			continue
		}
		l.stretches = append(l.stretches, stretch{was.atMS, s.atMS, min(was.speedMH, s.speedMH), max(was.speedMH, s.speedMH), was.speedMH + s.speedMH})
	}
	return l
}

// Ends is the last moment recorded, from the start of the drive.
func (l Log) Ends() time.Duration { return time.Duration(l.endMS) * time.Millisecond }

// UnrecordedS is the whole seconds in gaps between samples.
func (l Log) UnrecordedS() int64 { return l.unrecordedMS / msPerSecond }

// Interruption is a part of the drive that does not count, and why.
type Interruption struct {
	FromS int64  `json:"from_s"` // from the start of the drive
	ToS   int64  `json:"to_s"`
	Why   string `json:"why"`
}

// Whys are the reasons there are for an interruption.
func Whys() []string {
	return []string{"traffic", "road", "weather", "equipment", "vehicle", "people", "other"}
}

// without cuts the interruptions, which are in order, out of the stretches. Of a stretch that is cut the mean speed is not
// known any more, only that it is the lowest at least.
func (l Log) without(interrupted []Interruption) []stretch {
	var out []stretch
	for _, s := range l.stretches {
		for _, each := range interrupted {
			from, to := each.FromS*msPerSecond, each.ToS*msPerSecond
			if to <= s.fromMS || from >= s.toMS {
				continue
			}
			s.twiceMH = 2 * s.lowMH
			if from > s.fromMS {
				before := s
				before.toMS = from
				out = append(out, before)
			}
			s.fromMS = min(to, s.toMS)
		}
		if s.fromMS < s.toMS {
			out = append(out, s)
		}
	}
	return out
}
