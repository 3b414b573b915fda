package wire

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"strconv"

	"readback/internal/stream"
)

// Outgoing is a message of the server.
type Outgoing interface{ say() string }

// Welcome answers hello: who the client is signed in as, and how often to send a beat.
type Welcome struct {
	Connection stream.ID     `json:"connection"`
	Member     stream.ID     `json:"member"`
	Org        stream.ID     `json:"org"`
	Roles      []stream.Role `json:"roles"`
	HeartbeatS int           `json:"heartbeat_s"` // send a beat this often, in seconds
	Now        string        `json:"now"`         // the server's clock, see Instant
	Expires    string        `json:"expires"`     // when the access token runs out
	Protocol   int           `json:"protocol"`
}

// Entry is one durable entry of a followed stream.
type Entry struct {
	Stream stream.Ref
	Seq    uint64
	Hash   stream.Hash
	Body   json.RawMessage   // the canonical bytes that were hashed, sent as they are
	Opened map[string]string // personal values this member may read, by JSON pointer (RFC 6901) into the body
}

// CaughtUp says that the entries up to Seq have been sent; those that follow are new.
type CaughtUp struct {
	Stream stream.Ref `json:"stream"`
	Seq    uint64     `json:"seq"`
}

// Accepted answers a command that is an entry now, durable before this is sent.
type Accepted struct {
	Stream   stream.Ref
	Command  stream.ID
	Seq      uint64
	Hash     stream.Hash
	Type     string // of the entry
	At       string
	Repeated bool // the command had been answered before; this is that answer
}

// Refused answers a message that changed nothing. Stream, Command and N are there as far as the message could be read; N is
// that of readings.
type Refused struct {
	Stream  *stream.Ref `json:"stream,omitempty"`
	Command *stream.ID  `json:"command,omitempty"`
	N       *uint64     `json:"n,omitempty"`
	Problem Problem     `json:"problem"`
}

// Presence is who takes part in a stream now. The latest one counts; earlier ones may have been left out.
type Presence struct {
	Stream   stream.Ref      `json:"stream"`
	Here     json.RawMessage `json:"here"`                // a list of objects with member, org, roles and relation
	UnheardS int64           `json:"unheard_s,omitempty"` // how long nothing was heard of the specialist who holds the claim
}

// Live is what readings of a followed calibration come to now, or says that the last one is out of date. The latest one
// counts; earlier ones may have been left out.
type Live struct {
	Stream stream.Ref
	Value  json.RawMessage // an object: n, seq, at, member; position, moved, readings, verdict; or gone
}

// Ended says that the server follows a stream no longer for this client, and why: "out-of-sight" if it is no longer the
// member's to see; after "failed", "leaving" or "slow" follow again from the last entry.
type Ended struct {
	Stream stream.Ref `json:"stream"`
	Reason string     `json:"reason"`
}

// Pulse answers a Beat. On the wire it is a beat too.
type Pulse struct {
	N   uint64 `json:"n"`
	Now string `json:"now"`
}

func (Welcome) say() string  { return "welcome" }
func (Entry) say() string    { return "entry" }
func (CaughtUp) say() string { return "caught-up" }
func (Accepted) say() string { return "accepted" }
func (Refused) say() string  { return "refused" }
func (Presence) say() string { return "presence" }
func (Live) say() string     { return "live" }
func (Ended) say() string    { return "ended" }
func (Pulse) say() string    { return "beat" }

// Encode writes a message as one frame.
func Encode(m Outgoing) []byte {
	switch m := m.(type) {
	case Entry:
		return m.frame()
	case Accepted:
		return m.frame()
	case Live:
		return m.frame()
	}
	return append([]byte(`{"say":"`+m.say()+`",`), object(m)[1:]...)
}

// about begins a frame that says something of a stream, with room for so many bytes more.
func about(say string, of stream.Ref, room int) []byte {
	b := make([]byte, 0, 96+room)
	b = append(b, `{"say":"`...)
	b = append(b, say...)
	b = append(b, `","stream":{"kind":"`...)
	b = append(b, of.Kind...)
	b = append(b, `","id":"`...)
	b = stream.AppendID(b, of.ID)
	return append(b, `"}`...)
}

// frame writes the body byte by byte as it is: a marshaller would escape characters that the canonical text does not.
func (e Entry) frame() []byte {
	b := about(e.say(), e.Stream, len(e.Body)+160)
	b = append(b, `,"seq":`...)
	b = strconv.AppendUint(b, e.Seq, 10)
	b = append(b, `,"hash":"`...)
	b = hex.AppendEncode(b, e.Hash[:])
	b = append(b, `","body":`...)
	b = append(b, e.Body...)
	if len(e.Opened) > 0 {
		b = append(b, `,"opened":`...)
		b = append(b, object(e.Opened)...)
	}
	return append(b, '}')
}

// frame writes the answer that every command gets. Type is a name of ours and At a time: neither needs escaping.
func (a Accepted) frame() []byte {
	b := about(a.say(), a.Stream, 320)
	b = append(b, `,"command":"`...)
	b = stream.AppendID(b, a.Command)
	b = append(b, `","seq":`...)
	b = strconv.AppendUint(b, a.Seq, 10)
	b = append(b, `,"hash":"`...)
	b = hex.AppendEncode(b, a.Hash[:])
	b = append(b, `","type":"`...)
	b = append(b, a.Type...)
	b = append(b, `","at":"`...)
	b = append(b, a.At...)
	b = append(b, `","repeated":`...)
	b = strconv.AppendBool(b, a.Repeated)
	return append(b, '}')
}

// frame writes the value's members beside the others: it is encoded once, for everybody.
func (l Live) frame() []byte {
	b := about(l.say(), l.Stream, len(l.Value))
	b = append(b, ',')
	return append(b, l.Value[1:]...)
}

// object writes v, which holds nothing that could fail to encode.
func object(v any) []byte {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		panic("wire: " + err.Error())
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}
