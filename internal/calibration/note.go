package calibration

import (
	"readback/internal/stream"
	"readback/internal/strict"
)

type noteOrder struct {
	Text stream.Sealed `json:"text"`
}

func readNote(o *strict.Object, sealed bool) any { return noteOrder{Text: freeText(o, "text", sealed)} }

func decideNote(a *asked) (stream.Decision, error) { return a.entry(nil) }

// applyNote changes nothing: a note carries no authority.
func applyNote(*State, stream.Entry) error { return nil }
