package app

import (
	"bytes"
	"encoding/json"

	"readback/internal/yamljson"
)

// written reads a document in YAML or, as it stands, in JSON.
func written(text []byte) (json.RawMessage, func(error) error, error) {
	text = bytes.TrimSpace(text)
	doc, err := yamljson.Convert(text)
	switch {
	case json.Valid(text) && err != nil: // usable all the same, without the lines
		return text, func(err error) error { return err }, nil
	case json.Valid(text):
		return text, doc.Locate, nil
	}
	return doc.JSON, doc.Locate, err
}
