package job

import (
	"encoding/json"
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
	return noting{readReason(o, "text")}
}

func takeNote(s *State, e stream.Entry) error {
	d, err := stream.DecodeData[noting](e.Command)
	if err != nil {
		return err
	}
	text, err := stream.ReadSealed(d.Text)
	if err != nil {
		return err
	}
	s.notes = appended(s.notes, Note{Seq: e.Seq, At: e.At, By: e.By, Text: text})
	return nil
}
