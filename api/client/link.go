package client

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

const (
	mostFrame   = 4 << 20  // bytes of one message of the server
	mostKept    = 64 << 10 // bytes of a buffer that the next message is read into as well
	helloWait   = 15 * time.Second
	writeWait   = 10 * time.Second
	farewell    = 2 * time.Second // for the server's answer to our close
	silentBeats = 2.5             // heartbeats without a sign of life after which a connection is taken for dead
)

// link is one connection. What is said waits in queue until the writer takes it; the size of the queue is bounded by
// what may be said (calls and followings are).
type link struct {
	ws      *websocket.Conn
	welcome answer
	silence time.Duration // the longest that is borne
	frame   bytes.Buffer  // the one that was read last; the reader's

	wake chan struct{} // of capacity 1: something is queued

	mu      sync.Mutex // guards what follows
	queue   [][]byte
	leaving bool // the close has been sent, and reading ends soon
}

// dial connects and signs in.
func (c *Client) dial(ctx context.Context) (*link, error) {
	at := *c.base
	at.Scheme = map[string]string{"http": "ws", "https": "wss"}[at.Scheme]
	d := websocket.Dialer{
		Proxy: http.ProxyFromEnvironment, NetDialContext: c.cfg.Dial, TLSClientConfig: c.cfg.TLS, Subprotocols: []string{subprotocol}, HandshakeTimeout: helloWait,
		ReadBufferSize: 4096, WriteBufferSize: 4096,
	}
	token := c.bearer(ctx)
	k, err := c.dialAs(ctx, d, at.JoinPath("/v1/live").String(), token)
	if err == nil || !c.renewable(err) || c.renew(ctx, token) != nil {
		return k, err
	}
	return c.dialAs(ctx, d, at.JoinPath("/v1/live").String(), c.bearer(ctx))
}

func (c *Client) dialAs(ctx context.Context, d websocket.Dialer, at, token string) (*link, error) {
	ws, said, err := d.DialContext(ctx, at, nil)
	if errors.Is(err, websocket.ErrBadHandshake) && said != nil {
		return nil, problemOf(said)
	}
	if err != nil {
		return nil, fmt.Errorf("connect: %w", err)
	}
	k := &link{ws: ws, wake: make(chan struct{}, 1)}
	ws.SetReadLimit(mostFrame)
	stop := context.AfterFunc(ctx, func() { ws.Close() })
	defer stop()
	if err := k.hello(c.cfg.Name, token); err != nil {
		ws.Close()
		return nil, errors.Join(ctx.Err(), err)
	}
	return k, nil
}

func (k *link) hello(name, token string) error {
	k.ws.SetReadDeadline(time.Now().Add(helloWait))
	frame, err := encode(helloMessage{Say: "hello", Protocol: protocol, Client: name, Token: token})
	if err == nil {
		err = k.write(frame)
	}
	if err != nil {
		return fmt.Errorf("say hello: %w", err)
	}
	var problem *Problem
	for {
		a, err := k.read()
		switch {
		case err != nil:
			var closed *Closed
			if errors.As(err, &closed) {
				closed.problem = problem
			}
			return err
		case a.Say == "refused":
			problem = a.Problem
		case a.Say == "welcome":
			k.welcome = a
			k.silence = time.Duration(silentBeats * float64(k.heartbeat()))
			k.ws.SetPingHandler(func(payload string) error {
				k.alive()
				k.ws.WriteControl(websocket.PongMessage, []byte(payload), time.Now().Add(writeWait)) // reading notices a failure
				return nil
			})
			k.alive()
			return nil
		}
	}
}

func (k *link) heartbeat() time.Duration {
	return time.Duration(max(1, k.welcome.HeartbeatS)) * time.Second
}

// alive puts off the moment when silence is taken for death.
func (k *link) alive() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.leaving {
		k.ws.SetReadDeadline(time.Now().Add(k.silence))
	}
}

// leave takes leave, and gives the server a moment to answer.
func (k *link) leave() {
	k.ws.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), time.Now().Add(farewell))
	k.mu.Lock()
	defer k.mu.Unlock()
	k.leaving = true
	k.ws.NetConn().SetReadDeadline(time.Now().Add(farewell))
}

// read gives the next message.
func (k *link) read() (answer, error) {
	for {
		kind, err := k.next()
		var end *websocket.CloseError
		switch {
		case errors.As(err, &end) && end.Code != websocket.CloseAbnormalClosure:
			return answer{}, &Closed{Code: end.Code, Reason: end.Text}
		case err != nil:
			return answer{}, fmt.Errorf("connection lost: %w", err)
		case kind != websocket.TextMessage:
			continue
		}
		a, err := decode(k.frame.Bytes()) // which copies what it keeps
		if err != nil {
			return answer{}, fmt.Errorf("message of the server: %w", err)
		}
		return a, nil
	}
}

// next reads a frame into the one buffer that this connection has for it.
func (k *link) next() (kind int, err error) {
	kind, r, err := k.ws.NextReader()
	if err != nil {
		return kind, err
	}
	if k.frame.Cap() > mostKept {
		k.frame = bytes.Buffer{}
	}
	k.frame.Reset()
	_, err = k.frame.ReadFrom(r)
	return kind, err
}

func (k *link) write(frame []byte) error {
	k.ws.SetWriteDeadline(time.Now().Add(writeWait))
	return k.ws.WriteMessage(websocket.TextMessage, frame)
}

// say queues a message. Messages go out in the order of the calls.
func (k *link) say(frame []byte) {
	k.mu.Lock()
	k.queue = append(k.queue, frame)
	k.mu.Unlock()
	select {
	case k.wake <- struct{}{}:
	default:
	}
}

func (k *link) take() [][]byte {
	k.mu.Lock()
	defer k.mu.Unlock()
	q := k.queue
	k.queue = nil
	return q
}

// speak writes what is queued, and beats, until the connection breaks or dead is closed. When ctx ends it takes leave.
func (k *link) speak(ctx context.Context, dead <-chan struct{}) {
	beat := time.NewTicker(k.heartbeat())
	defer beat.Stop()
	for n := uint64(1); ; {
		var out [][]byte
		select {
		case <-k.wake:
			out = k.take()
		case <-beat.C:
			frame, err := encode(beatMessage{"beat", n})
			if err != nil {
				return // a number always encodes
			}
			out = [][]byte{frame}
			n++
		case <-dead:
			return
		case <-ctx.Done():
			k.leave()
			return
		}
		for _, frame := range out {
			if k.write(frame) != nil {
				k.ws.Close() // so that reading ends too
				return
			}
		}
	}
}
