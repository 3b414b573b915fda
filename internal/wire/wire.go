// Package wire is what is said over a websocket: the messages of both sides, their strict decoder, the codes a
// connection is closed with, and the published form of a refusal, which HTTP shares.
//
// One text frame holds one JSON object; its member "say" names the message. The server reads strictly: an unknown
// message, an unknown key, a key given twice, a value of another type, too deep or too long a frame or one that is not
// UTF-8 is a *fault.Error that names the field. Clients must ignore messages and keys they do not know, so that a
// server may say more in a later release.
//
// An entry's body travels as the very bytes that were hashed: it is neither read nor rewritten here.
//
// Everything is a pure function of its arguments.
package wire

import (
	"encoding/json"
	"time"

	"readback/internal/stream"
)

// Subprotocol is what both sides must agree on in Sec-WebSocket-Protocol; Protocol is the same version in messages.
const (
	Subprotocol = "readback.v1"
	Protocol    = 1
)

// MaxFrame is the longest frame a client may send, in bytes. A report of a hundred readings takes about 20 kB.
const MaxFrame = 64 << 10

// MaxToken is the longest access token, in characters.
const MaxToken = 2048

// maxSafe is the largest whole number that every JSON reader keeps exactly (RFC 8259, section 6).
const maxSafe = 1<<53 - 1

// Instant is how times are written: RFC 3339 in UTC to the millisecond.
func Instant(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z") }

// Incoming is a message of a client: one of Hello, Follow, Unfollow, Command, Reading, Beat.
type Incoming interface{ incoming() }

// Hello is the first message of every connection. Token is empty where a cookie has signed the client in.
type Hello struct {
	Protocol int
	Client   string // name and version of the program, for the log
	Token    string
}

// Follow asks for a stream's entries after a sequence number, and for those to come.
type Follow struct {
	Stream stream.Ref
	After  uint64
}

// Unfollow ends a Follow.
type Unfollow struct{ Stream stream.Ref }

// Command asks for one change of a stream.
type Command struct {
	Stream  stream.Ref
	Command stream.Command
}

// MostLive is how many readings one Reading holds.
const MostLive = 16

// Reading is what instruments read now. Nothing is stored. It is not answered, unless it is refused; what it comes to, a
// Live, goes to those who take part in the calibration.
type Reading struct {
	Stream stream.Ref
	N      uint64          // the sender's own count
	Data   json.RawMessage // "readings" and perhaps "moved", for the rules to check
}

// Beat is the client's heartbeat; the server answers with the same N.
type Beat struct{ N uint64 }

func (Hello) incoming()    {}
func (Follow) incoming()   {}
func (Unfollow) incoming() {}
func (Command) incoming()  {}
func (Reading) incoming()  {}
func (Beat) incoming()     {}

// About names what a message was about as far as it could be read, so that a refusal can say which message it answers
// even when the message was wrong.
type About struct {
	Stream  *stream.Ref
	Command *stream.ID
	Reading *uint64 // its N
}
