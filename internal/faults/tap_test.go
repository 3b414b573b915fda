package faults

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"net"
	"sync/atomic"
	"time"

	"readback/api/client"
)

// tap makes the clients' network connections and writes down in the ledger what passes on those that become websockets.
// It stands below the client, so that nothing depends on what the client thinks was sent and answered.
type tap struct {
	ledger *ledger
	// written is called when a command was sent that had not been sent before, right behind its last byte, with how
	// many there were by now.
	written func(n int)
	// accepted is called when an acknowledgement was read.
	accepted func(on *tapped)
}

func (t *tap) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	d := net.Dialer{Timeout: 5 * time.Second}
	c, err := d.DialContext(ctx, network, addr)
	if err != nil {
		return nil, err
	}
	return &tapped{Conn: c, tap: t, born: time.Now()}, nil
}

// tapped is one connection. Write and Read each belong to one goroutine at a time.
type tapped struct {
	net.Conn
	tap    *tap
	born   time.Time
	begun  bool        // something was written
	socket atomic.Bool // it asked to become a websocket
	out    frames
	in     frames
}

// message is what the tap understands of the messages of both sides.
type message struct {
	Say     string          `json:"say"`
	Stream  client.Ref      `json:"stream"`
	Seq     uint64          `json:"seq"`
	Hash    string          `json:"hash"`
	Command json.RawMessage `json:"command"` // an object from the client, an id from the server

	Repeated bool `json:"repeated"`
	Problem  struct {
		Type string `json:"type"`
	} `json:"problem"`
}

func (c *tapped) Write(b []byte) (int, error) {
	if !c.begun {
		c.begun = true
		c.socket.Store(bytes.HasPrefix(b, []byte("GET /v1/live ")))
	}
	if !c.socket.Load() {
		return c.Conn.Write(b)
	}
	// Written down first: once the bytes are out the server may know them.
	fresh := 0
	c.out.feed(b, func(op byte, payload []byte) {
		var m message
		if op != opText || json.Unmarshal(payload, &m) != nil || m.Say != "command" {
			return
		}
		var cmd struct {
			ID string `json:"id"`
		}
		if json.Unmarshal(m.Command, &cmd) == nil {
			fresh = max(fresh, c.tap.ledger.sending(m.Stream, cmd.ID, m.Command))
		}
	})
	n, err := c.Conn.Write(b)
	if fresh > 0 && c.tap.written != nil {
		c.tap.written(fresh)
	}
	return n, err
}

func (c *tapped) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if !c.socket.Load() {
		return n, err
	}
	c.in.feed(b[:n], func(op byte, payload []byte) {
		if op == opClose && len(payload) >= 2 {
			c.tap.ledger.closed(int(binary.BigEndian.Uint16(payload)))
		}
		var m message
		if op != opText || json.Unmarshal(payload, &m) != nil {
			return
		}
		var id string
		json.Unmarshal(m.Command, &id)
		switch m.Say {
		case "welcome":
			c.tap.ledger.welcomed()
		case "accepted":
			c.tap.ledger.accepted(m.Stream, id, m.Seq, m.Hash, m.Repeated)
			if c.tap.accepted != nil {
				c.tap.accepted(c)
			}
		case "refused":
			c.tap.ledger.refused(id, m.Problem.Type)
		case "entry":
			c.tap.ledger.shown(m.Stream, m.Seq, m.Hash)
		}
	})
	return n, err
}

// Opcodes of RFC 6455, section 5.2.
const (
	opText  = 1
	opClose = 8
)

// frames reads one direction of a websocket as RFC 6455, section 5.2 has it: a head of HTTP, then frames. An answer that
// is no upgrade has none.
type frames struct {
	buf  []byte
	open bool   // the head has passed
	off  bool   // no websocket after all
	text []byte // of a message in several frames
}

func (f *frames) feed(b []byte, take func(op byte, payload []byte)) {
	if f.off {
		return
	}
	f.buf = append(f.buf, b...)
	if !f.open {
		head, rest, whole := bytes.Cut(f.buf, []byte("\r\n\r\n"))
		if !whole {
			return
		}
		f.open, f.buf = true, bytes.Clone(rest)
		f.off = bytes.HasPrefix(head, []byte("HTTP/1.1 ")) && !bytes.HasPrefix(head, []byte("HTTP/1.1 101"))
	}
	for !f.off {
		op, final, payload, size := frame(f.buf)
		if size == 0 {
			return
		}
		f.buf = f.buf[size:]
		if op >= opClose { // control frames stand between those of a message
			take(op, payload)
			continue
		}
		f.text = append(f.text, payload...)
		if final {
			take(opText, f.text) // neither side sends binary
			f.text = nil
		}
	}
}

// frame takes the first frame apart; size is 0 if it is not whole yet.
func frame(b []byte) (op byte, final bool, payload []byte, size int) {
	if len(b) < 2 {
		return 0, false, nil, 0
	}
	masked, long, at := b[1]&0x80 != 0, uint64(b[1]&0x7f), 2
	switch long {
	case 126:
		if len(b) < 4 {
			return 0, false, nil, 0
		}
		long, at = uint64(binary.BigEndian.Uint16(b[2:])), 4
	case 127:
		if len(b) < 10 {
			return 0, false, nil, 0
		}
		long, at = binary.BigEndian.Uint64(b[2:]), 10
	}
	var mask []byte
	if masked {
		if len(b) < at+4 {
			return 0, false, nil, 0
		}
		mask, at = b[at:at+4], at+4
	}
	if uint64(len(b)-at) < long {
		return 0, false, nil, 0
	}
	size = at + int(long)
	payload = bytes.Clone(b[at:size])
	for i := range payload {
		if masked {
			payload[i] ^= mask[i%4]
		}
	}
	return b[0] & 0x0f, b[0]&0x80 != 0, payload, size
}
