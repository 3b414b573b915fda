package phrase

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"readback/internal/calibration"
	"readback/internal/figure"
)

// limits says how far off a quantity may be, as the end of a long text and as a sentence of its own; "" where nothing is limited.
func (v Voice) limits(i calibration.Instruction) (long, spoken string) {
	speak := func(um int64) string { return v.spoken(figure.Of(um, v.unit)) }
	if um := i.ToleranceUM; um != 0 {
		return v.texts.fill("limit.", "long", "limit", v.Length(um)), v.texts.fill("limit.", "spoken", "limit", speak(um))
	}
	written := v.sides(i, v.Length)
	if len(written) == 0 {
		return "", ""
	}
	return ", " + strings.Join(written, ", "), " " + sentence(strings.Join(v.sides(i, speak), ", ")) + "."
}

// sides says each limited side for itself, the upper one first: "at most 5 mm too far", "not nearer". An amount is written as
// length gives it.
func (v Voice) sides(i calibration.Instruction, length func(um int64) string) []string {
	upper, lower := ways(i)
	var all []string
	side := func(limit *int64, sign int64, to, from string) {
		if limit == nil {
			return
		}
		switch um := *limit * sign; { // how far that way at the most
		case um > 0:
			all = append(all, v.texts.fill("limit.", "most", "limit", length(um), "too", v.texts.text("too.", to)))
		case um == 0:
			all = append(all, v.texts.fill("limit.", "none", "more", v.texts.text("more.", to)))
		default: // the nominal itself is beyond it
			all = append(all, v.texts.fill("limit.", "least", "limit", length(-um), "more", v.texts.text("more.", from)))
		}
	}
	side(i.UpperUM, 1, upper, lower)
	side(i.LowerUM, -1, lower, upper)
	return all
}

// ways are the words for a deviation that is positive and for one that is negative. Beside the reference line they are far and
// near, counted from it: an instruction to one side never names the other.
func ways(i calibration.Instruction) (positive, negative string) {
	switch {
	case i.Kind == calibration.SetHeight:
		return "up", "down"
	case i.Kind != calibration.GoToPosition, i.Side == "left":
		return "far", "near"
	case i.Side == "right":
		return "near", "far"
	}
	return "left", "right"
}

// sentence begins with a capital.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:]
}
