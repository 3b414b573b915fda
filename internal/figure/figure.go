// Package figure holds a measured value as people see it, say it and read it back: a whole number of the last decimal
// place that is shown. The trail keeps micrometres and microdegrees; a millimetre is shown to a tenth, an inch to a
// thousandth, a degree to a hundredth. All of it is integer arithmetic, rounded to the nearest last place, halves away
// from zero, so that two programs in two languages show the same digits.
//
// A read-back is compared in the unit in which it was shown. There the shown figure is the truth: who was shown
// 24.409 in and says 24.409 in is right, whatever the micrometres are.
//
// The package is pure and holds no state.
package figure

import (
	"fmt"
	"strconv"
	"strings"

	"readback/internal/fault"
)

// Unit is a unit in which values are shown and said.
type Unit string

// The units. An inch is 25.4 mm exactly, by the international yard and pound agreement of 1959.
const (
	MM   Unit = "mm"
	Inch Unit = "in"
	Deg  Unit = "deg"
)

// scale says how a unit's last place and the integer unit of the trail go together: by times per the one are as much as
// per the other. 0.001 in is 25.4 µm, so 127 µm are 5 of them.
type scale struct {
	places          int   // decimals that are shown
	whole, fraction int64 // so many integer units are so many last places
}

var scales = map[Unit]scale{
	MM:   {places: 1, whole: 100, fraction: 1},
	Inch: {places: 3, whole: 127, fraction: 5},
	Deg:  {places: 2, whole: 10_000, fraction: 1},
}

// Largest is the largest value, in micrometres or microdegrees, that is shown exactly: far beyond any bay.
const Largest = 1 << 53

// Figure is a value as shown.
type Figure struct {
	Last int64 // counted in the last place shown: 6205 for 620.5 mm
	Unit Unit
}

// Of gives the figure that is shown for a value in micrometres, or in microdegrees for degrees. Values beyond Largest
// are shown as Largest.
func Of(value int64, unit Unit) Figure {
	s := scales[unit]
	return Figure{Last: nearest(min(max(value, -Largest), Largest)*s.fraction, s.whole), Unit: unit}
}

// nearest is n/by rounded to the nearest whole number, halves away from zero.
func nearest(n, by int64) int64 {
	if n < 0 {
		return -nearest(-n, by)
	}
	q, rest := n/by, n%by
	if 2*rest >= by {
		q++
	}
	return q
}

// Digits writes the figure without its unit: the sign as a hyphen, a point before the decimals. Inches always have
// three decimals; of the others, zeros at the end are left out.
func (f Figure) Digits() string {
	s := scales[f.Unit]
	n, sign := f.Last, ""
	if n < 0 {
		n, sign = -n, "-"
	}
	digits := fmt.Sprintf("%0*d", s.places+1, n)
	whole, part := digits[:len(digits)-s.places], digits[len(digits)-s.places:]
	if f.Unit != Inch {
		part = strings.TrimRight(part, "0")
	}
	if part == "" {
		return sign + whole
	}
	return sign + whole + "." + part
}

// Parse reads a figure as somebody typed it: a point or a comma before the decimals, no separators between thousands,
// and no more decimals than the unit shows. field names it in the refusal.
func Parse(text string, unit Unit, field string) (Figure, error) {
	s, ok := scales[unit]
	if !ok {
		return Figure{}, fault.Badly(field, "a figure in mm, in or deg")
	}
	want := fault.Badly(field, fmt.Sprintf("digits such as 620, with at most %d decimals and nothing between thousands", s.places))
	rest, negative := strings.CutPrefix(strings.Replace(text, "\u2212", "-", 1), "-")
	whole, part := rest, ""
	if i := strings.IndexAny(rest, ".,"); i >= 0 {
		if whole, part = rest[:i], rest[i+1:]; part == "" {
			return Figure{}, want
		}
	}
	decimals := strings.TrimRight(part, "0")
	if whole == "" || len(whole) > 9 || len(part) > 9 || len(decimals) > s.places || strings.Trim(whole+part, "0123456789") != "" {
		return Figure{}, want
	}
	n, err := strconv.ParseInt(whole+decimals+strings.Repeat("0", s.places-len(decimals)), 10, 64)
	if err != nil {
		return Figure{}, want
	}
	if negative {
		n = -n
	}
	return Figure{Last: n, Unit: unit}, nil
}
