package strict

import (
	"math"
	"strconv"
)

// Range bounds a number, both ends included unless Above is set. Unit is for the message only.
type Range struct {
	Min, Max float64
	Unit     string
	Above    bool // Min itself is refused
}

func (g Range) holds(v float64) bool {
	return v <= g.Max && (v > g.Min || v == g.Min && !g.Above)
}

func (g Range) want() string {
	unit := ""
	if g.Unit != "" {
		unit = " " + g.Unit
	}
	if g.Above {
		return "a number above " + short(g.Min) + " and up to " + short(g.Max) + unit
	}
	return "a number from " + short(g.Min) + " to " + short(g.Max) + unit
}

func short(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Float reads a required number.
func (o *Object) Float(key string, g Range) float64 {
	if n := o.need(key, g.want); n != nil {
		return o.float(key, n, g)
	}
	return 0
}

// OptFloat reads a number that may be absent; the second value says whether it was there.
func (o *Object) OptFloat(key string, g Range) (float64, bool) {
	if n := o.find(key); n != nil {
		return o.float(key, n, g), true
	}
	return 0, false
}

func (o *Object) float(key string, n *node, g Range) float64 {
	if n.kind == number {
		v, err := strconv.ParseFloat(n.written(), 64)
		if err == nil && !math.IsInf(v, 0) && g.holds(v) {
			return v + 0 // a written -0 is 0
		}
	}
	o.Reject(key, g.want())
	return 0
}

// Int reads a required whole number from low to high. 12.0 and 1e2 are not whole numbers as written.
func (o *Object) Int(key string, low, high int64) int64 {
	if n := o.need(key, func() string { return wantInt(low, high) }); n != nil {
		return o.int(key, n, low, high)
	}
	return 0
}

// OptInt reads a whole number that may be absent.
func (o *Object) OptInt(key string, low, high int64) (int64, bool) {
	if n := o.find(key); n != nil {
		return o.int(key, n, low, high), true
	}
	return 0, false
}

func (o *Object) int(key string, n *node, low, high int64) int64 {
	if n.kind == number {
		if v, err := strconv.ParseInt(n.written(), 10, 64); err == nil && low <= v && v <= high {
			return v
		}
	}
	o.Reject(key, wantInt(low, high))
	return 0
}

func wantInt(low, high int64) string {
	return "a whole number from " + strconv.FormatInt(low, 10) + " to " + strconv.FormatInt(high, 10)
}
