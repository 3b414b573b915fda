package vehicle

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
)

// angleUnit is how a wheel aligner gives an angle.
type angleUnit string

const (
	inDegrees angleUnit = "deg"
	inMinutes angleUnit = "min"
	inMM      angleUnit = "mm" // of toe, at a stated diameter
)

// figure is one angle as given. It keeps how finely it was given: a printed figure is only known to half its last place.
type figure struct {
	udeg     int64
	halfUdeg float64 // half a unit of the last place written
	given    bool
}

const (
	microPerUnit  = 1_000_000
	mostDecimals  = 6
	minutesPerDeg = 60
)

var (
	plainNumber   = regexp.MustCompile(`^([+-]?)([0-9]{1,4})(?:[.,]([0-9]{1,6}))?$`)
	degreeMinutes = regexp.MustCompile(`^([+-]?)([0-9]{1,2})°\s?([0-9]{1,2})(?:[.,]([0-9]{1,2}))?['′]?$`)
	minusSigns    = strings.NewReplacer("−", "-", "–", "-")
)

const wantNumber = "a number such as -0.5 or -0,5 with at most 6 decimals"

// decimal is an exact decimal number: millionths, and how many decimals were written.
type decimal struct {
	micro  int64
	places int
}

// parseDecimal takes a decimal point or comma, never both, and no grouping of thousands.
func parseDecimal(text string) (decimal, bool) {
	m := plainNumber.FindStringSubmatch(minusSigns.Replace(text))
	if m == nil {
		return decimal{}, false
	}
	return decimal{signed(m[1], micro(m[2], m[3])), len(m[3])}, true
}

// micro reads digits before and behind the decimal point, which the expressions above bound.
func micro(whole, part string) int64 {
	n, _ := strconv.ParseInt(whole+part+strings.Repeat("0", mostDecimals-len(part)), 10, 64)
	return n
}

func signed(sign string, v int64) int64 {
	if sign == "-" {
		return -v
	}
	return v
}

// unit is one unit of the last place written, in millionths.
func (d decimal) unit() float64 { return math.Pow10(mostDecimals - d.places) }

// parseAngle reads an angle in the unit; diameter is what millimetres are of. The error says what would be right.
//
// Degrees are exact. Minutes and millimetres are rounded to the nearest microdegree, halves away from zero. Toe in
// millimetres is the difference of the distances between the front edges and the rear edges of the rim, as far as this
// wheel makes it: diameter · sin(toe), so that toe = arcsin(mm / diameter).
func parseAngle(text string, unit angleUnit, diameter decimal) (figure, error) {
	text = strings.TrimSpace(text)
	if unit == inDegrees {
		if m := degreeMinutes.FindStringSubmatch(minusSigns.Replace(text)); m != nil {
			minutes := micro(m[3], m[4])
			if minutes >= minutesPerDeg*microPerUnit {
				return figure{}, fmt.Errorf("less than 60 minutes behind the degrees, such as 0°12'")
			}
			minutes += micro(m[2], "") * minutesPerDeg
			return inMinute(decimal{signed(m[1], minutes), len(m[4])}), nil
		}
		text = strings.TrimSuffix(text, "°")
	}
	d, ok := parseDecimal(text)
	if !ok {
		return figure{}, fmt.Errorf("%s", wantNumber)
	}
	switch unit {
	case inDegrees:
		return figure{d.micro, d.unit() / 2, true}, nil
	case inMinutes:
		return inMinute(d), nil
	}
	if diameter.micro == 0 {
		return figure{}, fmt.Errorf("toe in mm together with the diameter that it was measured at, in mm")
	}
	sine := float64(d.micro) / float64(diameter.micro)
	if math.Abs(sine) > 1 {
		return figure{}, fmt.Errorf("toe in mm that is less than the diameter")
	}
	perUnit := microDegrees(d.unit() / float64(diameter.micro))
	return figure{int64(math.Round(microDegrees(math.Asin(sine)))), perUnit / 2, true}, nil
}

func inMinute(d decimal) figure {
	return figure{roundedBy(d.micro, minutesPerDeg), d.unit() / minutesPerDeg / 2, true}
}

func microDegrees(rad float64) float64 { return rad * 180 / math.Pi * microPerUnit }

// roundedBy divides and rounds halves away from zero.
func roundedBy(v, by int64) int64 {
	if v < 0 {
		return -roundedBy(-v, by)
	}
	return (v + by/2) / by
}

// degrees writes microdegrees for people.
func degrees(udeg int64) string {
	return strconv.FormatFloat(float64(udeg)/microPerUnit, 'f', -1, 64) + "°"
}
