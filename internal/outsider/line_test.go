package outsider_test

import (
	"errors"
	"net"
	"strings"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
)

// patience is how long anything may take; what fails by it is broken, not slow.
const patience = 30 * time.Second

// line is one websocket. It is read only while something is waited for.
type line struct {
	*person
	conn *websocket.Conn
	last map[string]int      // the number of the last entry, by stream id
	seen map[string][]object // entries by stream id, in the order they came
	kept []object            // heard and not asked for yet
}

// dials opens a websocket and says nothing yet.
func (p *person) dials() *line {
	p.t.Helper()
	d := websocket.Dialer{Subprotocols: []string{"readback.v1"}, HandshakeTimeout: patience}
	conn, res, err := d.DialContext(p.t.Context(), strings.Replace(p.town.address, "http", "ws", 1)+"/v1/live", nil)
	require.NoError(p.t, err)
	require.Equal(p.t, "readback.v1", res.Header.Get("Sec-WebSocket-Protocol"))
	p.t.Cleanup(func() { conn.Close() })
	return &line{person: p, conn: conn, last: map[string]int{}, seen: map[string][]object{}}
}

// connects opens a websocket and says hello.
func (p *person) connects() *line {
	p.t.Helper()
	l := p.dials()
	l.says(object{"say": "hello", "protocol": 1, "client": "outsider/1", "token": p.token})
	w := l.waits("welcome", nil)
	require.Equal(p.t, p.member, w["member"])
	return l
}

// says sends a message, which has to be as described.
func (l *line) says(m object) {
	l.t.Helper()
	frame := text(l.t, m)
	l.town.message(l.t, "client", frame)
	l.town.tally["client "+m["say"].(string)]++
	l.sends(frame)
}

// sends sends a frame as it is.
func (l *line) sends(frame []byte) {
	l.t.Helper()
	require.NoError(l.t, l.conn.WriteMessage(websocket.TextMessage, frame))
}

// hears reads one message, which has to be as described. The entries of a stream have to come in order, without a gap.
func (l *line) hears() (object, error) {
	l.t.Helper()
	require.NoError(l.t, l.conn.SetReadDeadline(time.Now().Add(patience)))
	kind, frame, err := l.conn.ReadMessage()
	if err != nil {
		return nil, err
	}
	require.Equal(l.t, websocket.TextMessage, kind)
	m := l.town.message(l.t, "server", frame)
	l.town.tally["server "+m["say"].(string)]++
	if m["say"] == "entry" {
		id, seq := m["stream"].(object)["id"].(string), number(l.t, m["seq"])
		require.Equal(l.t, l.last[id]+1, seq, "%s: an entry is missing, or came twice", id)
		require.Equal(l.t, seq, number(l.t, m["body"].(object)["seq"]))
		l.last[id], l.seen[id] = seq, append(l.seen[id], m)
	}
	return m, nil
}

// waits gives the first message of the name that fits, among those heard before and those to come.
func (l *line) waits(name string, fits func(object) bool) object {
	l.t.Helper()
	for i, m := range l.kept {
		if m["say"] == name && (fits == nil || fits(m)) {
			l.kept = append(l.kept[:i:i], l.kept[i+1:]...)
			return m
		}
	}
	for {
		m, err := l.hears()
		require.NoError(l.t, err, "%s waits for %s", l.name, name)
		if m["say"] == name && (fits == nil || fits(m)) {
			return m
		}
		if m["say"] != "entry" { // those are in seen
			l.kept = append(l.kept, m)
		}
	}
}

// follows asks for a stream's entries after the last one seen, and waits until all that are there have come.
func (l *line) follows(kind, id string) {
	l.t.Helper()
	l.says(object{"say": "follow", "stream": object{"kind": kind, "id": id}, "after": l.last[id]})
	got := l.waits("caught-up", of(id))
	require.Equal(l.t, l.last[id], number(l.t, got["seq"]))
}

// sees waits until the entry of the number has come.
func (l *line) sees(id string, seq int) {
	l.t.Helper()
	for l.last[id] < seq {
		m, err := l.hears()
		require.NoError(l.t, err, "%s waits for entry %d", l.name, seq)
		if m["say"] != "entry" {
			l.kept = append(l.kept, m)
		}
	}
}

// command is a command on top of what this side has seen of the stream.
func (l *line) command(kind, id, command string, data object) object {
	l.t.Helper()
	return object{"say": "command", "stream": object{"kind": kind, "id": id}, "command": object{
		"id": newID(l.t), "base": l.last[id], "type": command, "data": data,
	}}
}

// answered waits for the answer to a command: accepted or refused.
func (l *line) answered(command object) object {
	l.t.Helper()
	id := command["command"].(object)["id"]
	mine := func(m object) bool { return (m["say"] == "accepted" || m["say"] == "refused") && m["command"] == id }
	for i, m := range l.kept {
		if mine(m) {
			l.kept = append(l.kept[:i:i], l.kept[i+1:]...)
			return m
		}
	}
	for {
		m, err := l.hears()
		require.NoError(l.t, err, "%s waits for an answer", l.name)
		if mine(m) {
			return m
		}
		if m["say"] != "entry" {
			l.kept = append(l.kept, m)
		}
	}
}

// refused gives a command that is refused, and says by which slug.
func (l *line) refused(kind, id, command string, data object) string {
	l.t.Helper()
	c := l.command(kind, id, command, data)
	l.says(c)
	got := l.answered(c)
	require.Equal(l.t, "refused", got["say"], "%v", got)
	return slugOf(got["problem"].(object))
}

// closed waits for the end of the connection, and says how it was closed.
func (l *line) closed() (code int, reason string) {
	l.t.Helper()
	for {
		_, err := l.hears()
		var c *websocket.CloseError
		switch {
		case err == nil:
		case errors.As(err, &c):
			return c.Code, c.Text
		default:
			require.ErrorIs(l.t, err, net.ErrClosed)
			return websocket.CloseAbnormalClosure, ""
		}
	}
}

// of fits messages of a stream.
func of(id string) func(object) bool {
	return func(m object) bool {
		s, _ := m["stream"].(object)
		return s != nil && s["id"] == id
	}
}

// halves says no more on the connection, but leaves what was said to be read: nothing of it is lost on the way.
func (l *line) halves() {
	l.t.Helper()
	require.NoError(l.t, l.conn.NetConn().(*net.TCPConn).CloseWrite())
}

// again is a new connection in place of one that is gone, which knows what that one had seen.
func (l *line) again() *line {
	l.t.Helper()
	l.conn.Close()
	next := l.person.connects()
	next.last, next.seen = l.last, l.seen
	return next
}
