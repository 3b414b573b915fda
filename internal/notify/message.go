package notify

import (
	"encoding/json"

	"readback/internal/register"
	"readback/internal/stream"
)

// message is what is sent. It never holds anything of an entry's data: what a command said may be personal, and who may
// read it is asked for with a token, not known by an address.
type message struct {
	Type      string      `json:"type"`
	Timestamp string      `json:"timestamp"`
	Data      messageData `json:"data"`
}

type messageData struct {
	Stream stream.Ref  `json:"stream"`
	Seq    uint64      `json:"seq"`
	Entry  string      `json:"entry"` // type of the entry
	Hash   stream.Hash `json:"hash"`
	Org    stream.ID   `json:"org"` // owner of the stream
	Job    *stream.ID  `json:"job,omitempty"`
	Desk   *stream.ID  `json:"desk,omitempty"` // has claimed it, after this entry
	Phase  string      `json:"phase"`          // after this entry
}

func messageOf(e stream.Entry, after stream.Summary) ([]byte, error) {
	return json.Marshal(message{
		Type: register.EventName(e.Stream.Kind, e.Type), Timestamp: e.At.UTC().Format("2006-01-02T15:04:05.000Z"),
		Data: messageData{
			Stream: e.Stream, Seq: e.Seq, Entry: e.Type, Hash: e.Hash, Org: after.Org, Job: after.Job, Desk: after.Desk, Phase: after.Phase,
		},
	})
}
