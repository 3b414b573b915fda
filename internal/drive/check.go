package drive

import (
	"readback/internal/procedure"
)

// Checked is what a drive comes to in one window. Times and ways are whole seconds and metres, cut off; what is missing
// is rounded up.
type Checked struct {
	Window    string `json:"window"`
	WithinS   int64  `json:"within_s"`   // in the band, together
	LongestS  int64  `json:"longest_s"`  // in the band without a break
	DistanceM int64  `json:"distance_m"` // in the band, together
	MissingS  int64  `json:"missing_s,omitempty"`
	MissingM  int64  `json:"missing_m,omitempty"`
	Beyond    bool   `json:"beyond,omitempty"` // longer or farther than the source says at the most
	Met       bool   `json:"met"`
}

// perMetre is a metre, in metres per hour times milliseconds of twice the speed.
const perMetre = 2 * 3600 * msPerSecond

// Check holds the log without its interruptions against each window, in order.
func Check(l Log, interrupted []Interruption, windows []procedure.Window) []Checked {
	stretches := l.without(interrupted)
	out := make([]Checked, len(windows))
	for i, w := range windows {
		out[i] = check(stretches, w)
	}
	return out
}

func check(stretches []stretch, w procedure.Window) Checked {
	var withinMS, longestMS, runMS, way int64
	endedMS := int64(-1)
	for _, s := range stretches {
		if !s.in(w.SpeedKMH) {
			continue
		}
		if s.fromMS != endedMS {
			runMS = 0
		}
		ms := s.toMS - s.fromMS
		endedMS = s.toMS
		runMS += ms
		withinMS += ms
		longestMS = max(longestMS, runMS)
		way += ms * s.twiceMH
	}
	c := Checked{Window: w.Name, WithinS: withinMS / msPerSecond, LongestS: longestMS / msPerSecond, DistanceM: way / perMetre}
	countedMS := withinMS
	if w.Unbroken {
		countedMS = longestMS
	}
	if least := w.Minutes.Lower; least != nil {
		c.MissingS = missing(*least*60*msPerSecond, countedMS, msPerSecond)
	}
	if least := w.DistanceM.Lower; least != nil {
		c.MissingM = missing(*least*perMetre, way, perMetre)
	}
	if most := w.Minutes.Upper; most != nil {
		c.Beyond = withinMS > *most*60*msPerSecond
	}
	if most := w.DistanceM.Upper; most != nil {
		c.Beyond = c.Beyond || way > *most*perMetre
	}
	c.Met = c.MissingS == 0 && c.MissingM == 0
	return c
}

// in reports whether all speeds of the stretch are in the band.
func (s stretch) in(band procedure.Range) bool {
	lowest := int64(1) // where none is stated it moves at least
	if band.Lower != nil {
		lowest = *band.Lower * mPerKM
	}
	return s.lowMH >= lowest && (band.Upper == nil || s.highMH <= *band.Upper*mPerKM)
}

// missing is how much there is too little, in units of per, rounded up.
func missing(want, have, per int64) int64 {
	if have >= want {
		return 0
	}
	return (want - have + per - 1) / per
}
