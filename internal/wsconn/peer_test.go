package wsconn_test

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// bench is a toy server that listens.
type bench struct {
	*toyserver.Server
	t    *testing.T
	dial func(ctx context.Context, network, addr string) (net.Conn, error)
	addr string
}

// onNetwork listens on a real socket.
func onNetwork(t *testing.T, o toyserver.Options) *bench {
	t.Helper()
	b := &bench{Server: toyserver.New(t, o), t: t, dial: (&net.Dialer{}).DialContext}
	h := httptest.NewServer(b.Sockets)
	b.addr = h.Listener.Addr().String()
	t.Cleanup(func() {
		h.Close()
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		require.NoError(t, b.Stop(ctx))
	})
	return b
}

// inBubble listens on pipes, with the clock of a synctest bubble: f's waits take no time.
func inBubble(t *testing.T, o toyserver.Options, f func(t *testing.T, b *bench)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		pipes := toyserver.NewPipes()
		b := &bench{Server: toyserver.New(t, o), t: t, dial: pipes.Dial, addr: "toy.example"}
		h := &http.Server{Handler: b.Sockets}
		var serving sync.WaitGroup
		serving.Go(func() { h.Serve(pipes) })
		defer func() {
			require.NoError(t, b.Stop(context.Background()))
			h.Close()
			serving.Wait()
		}()
		f(t, b)
	})
}

// pass lets time pass in a bubble, which takes none.
func pass(d time.Duration) { <-time.NewTimer(d).C }

// peer is the client's end of a connection, as plain as can be.
type peer struct {
	t   *testing.T
	ws  *websocket.Conn
	raw net.Conn
}

func (b *bench) try(header http.Header) (*peer, *http.Response, error) {
	p := &peer{t: b.t}
	d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol},
		NetDialContext: func(ctx context.Context, network, addr string) (net.Conn, error) {
			c, err := b.dial(ctx, network, addr)
			p.raw = c
			return c, err
		}}
	ws, answer, err := d.DialContext(b.t.Context(), "ws://"+b.addr+"/v1/live", header)
	p.ws = ws
	return p, answer, err
}

// connect connects without a word.
func (b *bench) connect() *peer {
	b.t.Helper()
	p, _, err := b.try(nil)
	require.NoError(b.t, err)
	return p
}

// join connects and signs in.
func (b *bench) join(member stream.ID) *peer {
	b.t.Helper()
	p := b.connect()
	p.hello(b.Token(member))
	require.Equal(b.t, "welcome", p.next()["say"])
	return p
}

func (p *peer) hello(token string) {
	p.say(map[string]any{"say": "hello", "protocol": 1, "client": "test/1", "token": token})
}

func (p *peer) say(m map[string]any) {
	p.t.Helper()
	require.NoError(p.t, p.ws.WriteJSON(m))
}

func (p *peer) text(frame string) {
	p.t.Helper()
	require.NoError(p.t, p.ws.WriteMessage(websocket.TextMessage, []byte(frame)))
}

func (p *peer) follow(ref stream.Ref, after uint64) {
	p.t.Helper()
	p.say(map[string]any{"say": "follow", "stream": ref, "after": after})
}

func (p *peer) command(ref stream.Ref, cmd stream.Command) {
	p.t.Helper()
	p.say(map[string]any{"say": "command", "stream": ref, "command": cmd})
}

// next is the next message of any sort.
func (p *peer) next() map[string]any {
	p.t.Helper()
	p.ws.SetReadDeadline(time.Now().Add(30 * time.Second)) // a test that waits in vain shall say so
	kind, frame, err := p.ws.ReadMessage()
	require.NoError(p.t, err)
	p.ws.SetReadDeadline(time.Time{})
	require.Equal(p.t, websocket.TextMessage, kind)
	var m map[string]any
	require.NoError(p.t, json.Unmarshal(frame, &m))
	return m
}

// until is the next message of the sort; presence may stand between.
func (p *peer) until(say string) map[string]any {
	p.t.Helper()
	for {
		m := p.next()
		if m["say"] != "presence" || say == "presence" {
			require.Equal(p.t, say, m["say"], "%v", m)
			return m
		}
	}
}

// refused reads a refusal and gives its problem's slug and fields.
func (p *peer) refused() (slug string, fields []string) {
	p.t.Helper()
	problem := p.until("refused")["problem"].(map[string]any)
	list, _ := problem["errors"].([]any)
	for _, f := range list {
		fields = append(fields, f.(map[string]any)["field"].(string))
	}
	return strings.TrimPrefix(problem["type"].(string), "/problems/"), fields
}

// closed reads to the end and gives the code of the close.
func (p *peer) closed() wire.CloseCode {
	p.t.Helper()
	for {
		_, _, err := p.ws.ReadMessage()
		if err == nil {
			continue
		}
		var end *websocket.CloseError
		require.True(p.t, errors.As(err, &end), "closed without a code: %v", err)
		code := wire.CloseCode(end.Code)
		require.Equal(p.t, code.Reason(), end.Text)
		p.ws.Close()
		return code
	}
}

// leave closes the connection as a client should, and waits for the answer.
func (p *peer) leave() {
	p.t.Helper()
	require.NoError(p.t, p.ws.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(1000, ""), time.Time{}))
	require.Equal(p.t, wire.CloseDone, p.closed())
}

func number(v any) int { return int(v.(float64)) }
