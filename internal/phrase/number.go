package phrase

import (
	"strings"
	"unicode"

	"readback/internal/figure"
)

const (
	noBreak = "\u00a0" // before a unit
	minus   = "\u2212"
)

// Length is a length with its unit, as written.
func (v Voice) Length(um int64) string {
	digits, unit := v.written(figure.Of(um, v.unit))
	return digits + noBreak + unit
}

// Angle is an angle with its unit, as written. No space stands before the sign of a degree (SI Brochure, 9th edition,
// section 5.4.3).
func (v Voice) Angle(udeg int64) string {
	digits, unit := v.written(figure.Of(udeg, figure.Deg))
	return digits + unit
}

// written gives the digits and the unit of a figure.
func (v Voice) written(f figure.Figure) (digits, unit string) {
	digits = strings.NewReplacer("-", minus, ".", v.texts["decimal"]).Replace(f.Digits())
	if f.Unit == figure.Deg {
		return digits, "°"
	}
	return digits, v.texts.text("unit.", string(f.Unit))
}

// spoken says a figure digit by digit, with its unit as a word.
func (v Voice) spoken(f figure.Figure) string {
	digits := f.Digits()
	plural := "other"
	// One is singular where it is written without decimals; in some languages so is whatever is below two. After the plural
	// rules of the Unicode CLDR, from memory.
	switch bare := strings.TrimPrefix(digits, "-"); {
	case bare == "1", v.texts["plural"] == "0-1" && (bare == "0" || strings.HasPrefix(bare, "0.") || strings.HasPrefix(bare, "1.")):
		plural = "one"
	}
	return v.spell(digits) + " " + v.texts.text("unit.", string(f.Unit)+"."+plural)
}

// spell says digits and signs one by one.
func (v Voice) spell(text string) string {
	var words []string
	for i, r := range text {
		switch {
		case r >= '0' && r <= '9':
			words = append(words, v.texts["say."+string(r)])
		case r == '.':
			words = append(words, v.texts["say.point"])
		case r == '-' && i == 0:
			words = append(words, v.texts["say.minus"])
		case r == '-':
			words = append(words, v.texts["say.dash"])
		case r == ' ':
			words = append(words, v.texts["say.space"])
		default:
			words = append(words, string(r))
		}
	}
	return strings.Join(words, " ")
}

// name says the name of a position: words as they are, digits one by one.
func (v Voice) name(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9':
			b.WriteString(" " + v.texts["say."+string(r)] + " ")
		case r == '-':
			b.WriteString(" " + v.texts["say.dash"] + " ")
		case unicode.IsLetter(r):
			b.WriteRune(r)
		default:
			b.WriteByte(' ')
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}
