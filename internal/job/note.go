package job

import (
	"encoding/json"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/strict"
)

// Note is free text. It carries no authority and changes nothing.
type Note struct {
	Seq  uint64        `json:"seq"` // of its entry
	At   time.Time     `json:"at"`
	By   stream.By     `json:"by"`
	Text stream.Sealed `json:"text"`
}

type noting struct {
	Text json.RawMessage `json:"text"` // plain until it is sealed
}

func readNote(o *strict.Object) any {
	text := o.Text("text", 2000)
	if given := text != "" || string(o.OptRaw("text")) == `""`; given && strings.TrimSpace(text) == "" {
		o.Reject("text", "a text of 1 to 2000 characters")
	}
	return noting{personal(text)}
}

func takeNote(s *State, e stream.Entry) error {
	d, err := decode[noting](e.Command)
	if err != nil {
		return err
	}
	text, err := unsealed(d.Text)
	if err != nil {
		return err
	}
	s.notes = appended(s.notes, Note{Seq: e.Seq, At: e.At, By: e.By, Text: text})
	return nil
}
