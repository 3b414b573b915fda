package wire

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/strict"
)

const (
	wantID     = "a UUID of 36 characters in lower case"
	wantObject = "an object"
	maxClient  = 80 // characters
	maxType    = 40 // characters of a command type
)

var (
	says  = []string{"hello", "follow", "unfollow", "command", "reading", "beat"}
	kinds = []string{string(stream.Register), string(stream.Job), string(stream.Calibration)}
)

// Decode reads a client's frame. A command's data shares the frame's bytes and is left to the rules to check.
func Decode(frame []byte) (Incoming, About, error) {
	if len(frame) > MaxFrame {
		return nil, About{}, TooLong()
	}
	o := strict.Read(frame, "")
	var about About
	var m Incoming
	switch say := o.String("say", maxType); say {
	case "hello":
		m = Hello{
			Protocol: int(o.Int("protocol", Protocol, Protocol)),
			Client:   o.String("client", maxClient),
			Token:    o.OptString("token", MaxToken),
		}
	case "follow":
		m = Follow{Stream: ref(o, &about), After: uint64(o.Int("after", 0, maxSafe))}
	case "unfollow":
		m = Unfollow{Stream: ref(o, &about)}
	case "command":
		m = Command{Stream: ref(o, &about), Command: command(o.Object("command"), &about)}
	case "reading":
		m = reading(o, ref(o, &about), &about)
	case "beat":
		m = Beat{N: uint64(o.Int("n", 0, maxSafe))}
	case "":
		// Missing, empty or no string: Close says so.
	default:
		return nil, about, fault.New(fault.UnknownType, fmt.Sprintf("There is no message %q.", say),
			fault.Field{Name: "say", Want: "one of " + strings.Join(says, ", ")})
	}
	if err := o.Close(); err != nil {
		return nil, about, err
	}
	return m, about, nil
}

// DecodeCommand reads a command as HTTP takes it: {"id", "base", "type", "data"}.
func DecodeCommand(body []byte) (stream.Command, error) {
	o := strict.Read(body, "")
	c := command(o, &About{})
	if err := o.Close(); err != nil {
		return stream.Command{}, err
	}
	return c, nil
}

// DecodeReading reads live readings as HTTP takes them: {"n", "readings", "moved"}.
func DecodeReading(body []byte) (Reading, error) {
	o := strict.Read(body, "")
	r := reading(o, stream.Ref{}, &About{})
	if err := o.Close(); err != nil {
		return Reading{}, err
	}
	return r, nil
}

// TooLong refuses a frame longer than MaxFrame.
func TooLong() *fault.Error {
	return fault.New(fault.TooLarge, fmt.Sprintf("A frame holds at most %d bytes.", MaxFrame))
}

// Binary refuses a frame that is not text.
func Binary() *fault.Error {
	return fault.New(fault.Malformed, "Messages are text frames with one JSON object each; this one was binary.")
}

func ref(o *strict.Object, about *About) stream.Ref {
	s := o.Object("stream")
	r := stream.Ref{Kind: stream.Kind(s.Enum("kind", kinds...)), ID: id(s, "id")}
	if r.Kind != "" && r.ID != (stream.ID{}) {
		about.Stream = &r
	}
	return r
}

func command(o *strict.Object, about *About) stream.Command {
	c := stream.Command{
		ID:   id(o, "id"),
		Base: uint64(o.Int("base", 0, maxSafe)),
		Type: o.String("type", maxType),
		Data: o.Raw("data"),
	}
	if c.ID != (stream.ID{}) {
		about.Command = &c.ID
	}
	if c.Data != nil && !bytes.HasPrefix(c.Data, []byte("{")) {
		o.Reject("data", wantObject)
	}
	return c
}

func reading(o *strict.Object, at stream.Ref, about *About) Reading {
	r := Reading{Stream: at, N: uint64(o.Int("n", 0, maxSafe))}
	if o.There() && o.Has("n") {
		about.Reading = &r.N
	}
	for _, each := range o.Objects("readings", 1, MostLive) {
		each.Ignore()
	}
	data := struct {
		Readings json.RawMessage `json:"readings"`
		Moved    bool            `json:"moved"`
	}{o.Raw("readings"), o.OptBool("moved", false)}
	r.Data, _ = json.Marshal(data) // parsed just now, or missing
	return r
}

func id(o *strict.Object, key string) stream.ID {
	s := o.String(key, 36)
	if s == "" {
		return stream.ID{}
	}
	got, err := stream.ParseID(key, s)
	if err != nil {
		o.Reject(key, wantID)
	}
	return got
}
