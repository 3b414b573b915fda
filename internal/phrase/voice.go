// Package phrase puts step messages into words: an instruction, a move, a verdict, whose turn it is, in a reader's
// language and unit. The numbers are those of package calibration, composed from the geometry; this package only says
// them, so every client shows and speaks the same words.
//
// What always holds:
//
//   - Left and right are as seen seated facing forward, in every language and whichever side the steering wheel is on;
//     its side is an aid in brackets.
//   - A number has its unit, its side and what it counts from, in the written, the long and the spoken form.
//   - The spoken form is a text of its own: digits one by one, units as words, no signs.
//   - What the read-back template says is understood, word by word, as the read-back that matches.
//   - Nothing is decided here. Whether a read-back matches is decided by package calibration.
//
// The texts are in catalog/*.json. English and German are offered. Spanish and French have the same keys and pass the same
// tests, which cannot tell good language: they are not offered before a native reader from the trade has gone through
// them. The package is pure; a Voice may be used by any goroutine.
package phrase

import (
	"slices"
	"strings"

	"readback/internal/fault"
	"readback/internal/figure"
)

// languages are those that are offered, in which all there is to say has been read by somebody.
var languages = []string{"en", "de"}

// Languages lists the languages that are offered.
func Languages() []string { return slices.Clone(languages) }

// Voice says things in one language, in one unit of length, of one car.
type Voice struct {
	texts    catalog
	unit     figure.Unit
	steering string // the side of the steering wheel, left or right; "" if not known
}

// In gives the voice of a language and a unit of length, mm or in. steering is the side of the car's steering wheel, or
// "" for no aid.
func In(language string, unit figure.Unit, steering string) (Voice, error) {
	if !slices.Contains(languages, language) {
		return Voice{}, fault.Badly("lang", strings.Join(languages, ", "))
	}
	if unit != figure.MM && unit != figure.Inch {
		return Voice{}, fault.Badly("unit", "mm or in")
	}
	texts, _ := load(language)
	return Voice{texts: texts, unit: unit, steering: steering}, nil
}
