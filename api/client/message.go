package client

import (
	"bytes"
	"encoding/json"
	"time"
)

// subprotocol and protocol are the version of the live protocol spoken here.
const (
	subprotocol = "readback.v1"
	protocol    = 1
)

// What the client says. Say is the name of the message.
type (
	helloMessage struct {
		Say      string `json:"say"`
		Protocol int    `json:"protocol"`
		Client   string `json:"client"`
		Token    string `json:"token,omitempty"`
	}
	followMessage struct {
		Say    string `json:"say"`
		Stream Ref    `json:"stream"`
		After  uint64 `json:"after"`
	}
	unfollowMessage struct {
		Say    string `json:"say"`
		Stream Ref    `json:"stream"`
	}
	commandMessage struct {
		Say     string  `json:"say"`
		Stream  Ref     `json:"stream"`
		Command Command `json:"command"`
	}
	readingMessage struct {
		Say    string `json:"say"`
		Stream Ref    `json:"stream"`
		Reading
	}
	beatMessage struct {
		Say string `json:"say"`
		N   uint64 `json:"n"`
	}
)

// encode writes a message as one frame.
func encode(m any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(m); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

// answer is any message of the server: the union of the keys of those that this client understands. It ignores what it
// does not know, as the protocol asks.
type answer struct {
	Say      string            `json:"say"`
	Stream   *Ref              `json:"stream"`
	Seq      uint64            `json:"seq"`
	Hash     string            `json:"hash"`
	Body     json.RawMessage   `json:"body"`
	Opened   map[string]string `json:"opened"`
	Command  string            `json:"command"`
	Type     string            `json:"type"`
	At       time.Time         `json:"at"`
	Repeated bool              `json:"repeated"`
	Problem  *Problem          `json:"problem"`
	Here     []Person          `json:"here"`
	UnheardS int64             `json:"unheard_s"`
	Reason   string            `json:"reason"`
	N        *uint64           `json:"n"`
	Position string            `json:"position"`
	Moved    bool              `json:"moved"`
	Readings json.RawMessage   `json:"readings"`
	Verdict  json.RawMessage   `json:"verdict"`
	Gone     bool              `json:"gone"`

	Connection string    `json:"connection"`
	Member     string    `json:"member"`
	Org        string    `json:"org"`
	Roles      []string  `json:"roles"`
	HeartbeatS int       `json:"heartbeat_s"`
	Now        time.Time `json:"now"`
	Expires    time.Time `json:"expires"`
}

func decode(frame []byte) (answer, error) {
	var a answer
	err := json.Unmarshal(frame, &a)
	return a, err
}
