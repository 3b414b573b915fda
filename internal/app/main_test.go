package app_test

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(apptest.Wrap(m)) }

// socket is a client's end of a live connection.
type socket struct {
	t  *testing.T
	ws *websocket.Conn
}

func dial(s *apptest.Server, header http.Header) (*websocket.Conn, *http.Response, error) {
	d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol}, HandshakeTimeout: 10 * time.Second}
	return d.Dial("ws"+strings.TrimPrefix(s.URL, "http")+"/v1/live", header)
}

// connect says hello with the client's token, or none for a client that comes with a cookie.
func connect(t *testing.T, s *apptest.Server, token string, header http.Header) *socket {
	t.Helper()
	ws, _, err := dial(s, header)
	require.NoError(t, err)
	t.Cleanup(func() { ws.Close() })
	p := &socket{t, ws}
	hello := map[string]any{"say": "hello", "protocol": wire.Protocol, "client": "test/1"}
	if token != "" {
		hello["token"] = token
	}
	p.say(hello)
	return p
}

func (p *socket) say(m map[string]any) {
	p.t.Helper()
	require.NoError(p.t, p.ws.WriteJSON(m))
}

func (p *socket) follow(ref stream.Ref, after uint64) {
	p.t.Helper()
	p.say(map[string]any{"say": "follow", "stream": ref, "after": after})
}

func (p *socket) command(ref stream.Ref, id stream.ID, base uint64, typ, data string) {
	p.t.Helper()
	p.say(map[string]any{"say": "command", "stream": ref, "command": json.RawMessage(apptest.Body(id, base, typ, data))})
}

// message is any message of the server, as far as these tests read it.
type message struct {
	Say     string
	Member  string
	Seq     uint64
	Hash    string
	Type    string
	Command string
	Stream  stream.Ref
	Body    json.RawMessage
	Problem struct{ Type string }
}

// next is the next message but presence and caught-up.
func (p *socket) next() (message, error) {
	for {
		p.ws.SetReadDeadline(time.Now().Add(30 * time.Second)) // a test that waits in vain shall say so
		var m message
		if err := p.ws.ReadJSON(&m); err != nil || m.Say != "presence" && m.Say != "caught-up" {
			return m, err
		}
	}
}

func (p *socket) want(say string) message {
	p.t.Helper()
	m, err := p.next()
	require.NoError(p.t, err)
	require.Equal(p.t, say, m.Say, "%+v", m)
	return m
}

// closed reads to the end and gives the code of the close.
func (p *socket) closed() wire.CloseCode {
	p.t.Helper()
	for {
		_, err := p.next()
		var end *websocket.CloseError
		if errors.As(err, &end) {
			return wire.CloseCode(end.Code)
		}
		require.NoError(p.t, err)
	}
}
