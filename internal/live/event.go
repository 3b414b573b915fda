package live

import (
	"bytes"
	"context"
	"encoding/json"
	"strconv"
	"sync"
	"time"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Event is one entry as someone may see it. It is shared and never changed.
type Event struct {
	Ref  stream.Ref
	Seq  uint64
	Hash stream.Hash
	Type string
	At   time.Time
	Body []byte // canonical JSON, the very bytes that are hashed

	// Opened are the sealed values in Body in plain text, by JSON pointer (RFC 6901) to the object that stands for each.
	// It is empty for those who may not read them, and lacks those whose key was destroyed.
	Opened map[string]string

	frame *frame
}

// frame is an event encoded for sending, made once for all who see the same.
type frame struct {
	once  sync.Once
	bytes []byte
	err   error
}

// Frame gives what encode makes of the event. It is called once for all followers that see the same, so every caller
// must pass the same function.
func (e Event) Frame(encode func(Event) ([]byte, error)) ([]byte, error) {
	e.frame.once.Do(func() { e.frame.bytes, e.frame.err = encode(e) })
	return e.frame.bytes, e.frame.err
}

// newEvent is the entry as it is seen by those who may not read what is sealed.
func newEvent(r trail.Record) Event {
	return Event{Ref: r.Ref(), Seq: r.Seq, Hash: r.Hash, Type: r.Type, At: r.At, Body: r.Body, frame: &frame{}}
}

// open is the event for those who may read what is sealed. What it opened is not kept: a key may be destroyed.
func (h *Hub) open(ctx context.Context, e Event) Event {
	if e.Opened = h.opened(ctx, e.Ref.ID, e.Body); len(e.Opened) > 0 {
		e.frame = &frame{}
	}
	return e
}

var sealedMark = []byte(`{"sealed":`)

// opened reads the sealed values of an entry's body.
func (h *Hub) opened(ctx context.Context, owner stream.ID, body []byte) map[string]string {
	var out map[string]string
	h.eachOpened(ctx, owner, body, func(pointer string, _ stream.Sealed, plain string) {
		if out == nil {
			out = map[string]string{}
		}
		out[pointer] = plain
	})
	return out
}

// eachOpened calls f for each sealed value of an entry's body that opens.
func (h *Hub) eachOpened(ctx context.Context, owner stream.ID, body []byte, f func(pointer string, s stream.Sealed, plain string)) {
	if !bytes.Contains(body, sealedMark) {
		return
	}
	e, err := trail.DecodeBody(body)
	if err != nil {
		return // it was folded from these very bytes
	}
	open := func(raw json.RawMessage, pointer string, place func(path string) string) {
		// Canonical bytes in, and nothing is replaced: no error can come of it.
		_, _ = trail.EachSealed(raw, func(path string, s stream.Sealed) (any, error) {
			if key, err := h.keys.get(ctx, s.Sealed.K); err == nil {
				if plain, err := key.Open(owner, place(path), s); err == nil {
					f(pointer+"/"+path, s, plain)
				}
			}
			return s, nil
		})
	}
	open(e.Command.Data, "/command/data", func(path string) string { return path })
	for i, fact := range e.Facts {
		open(fact.Value, "/facts/"+strconv.Itoa(i)+"/value", func(path string) string { return trail.FactPath(fact.Key.Name, path) })
	}
}
