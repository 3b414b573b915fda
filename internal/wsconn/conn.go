package wsconn

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gorilla/websocket"

	"readback/internal/stream"
	"readback/internal/token"
	"readback/internal/wire"
)

// conn is one connection. Its reading goroutine, run, owns it.
type conn struct {
	server *Server
	ws     *websocket.Conn
	box    *outbox
	id     stream.ID
	cookie string // access token of a browser, not checked yet

	ctx     context.Context // of the connection's own lifetime
	cancel  context.CancelFunc
	written chan struct{}  // closed when nothing is written any more
	work    sync.WaitGroup // what was started; the reader adds, or whoever holds mu while the connection has not ended
	slots   chan struct{}  // a token for each command under way

	// Set by the reader when hello is accepted, before the connection is among a member's; welcomed with mu held.
	access   token.Access
	welcomed bool

	checking atomic.Bool // a look whether the member still is one is under way
	acted    atomic.Bool // a command came since the last look at the session

	// The reader's own.
	garbage          int // unreadable messages in a row
	frames, commands bucket

	mu       sync.Mutex // guards what follows
	ended    bool
	code     wire.CloseCode // once ended
	endBy    time.Time      // once ended: when the connection is cut
	alarm    *time.Timer    // for the hello; then for the end of the access token; then for looks at the session
	pinger   *time.Timer
	follows  map[stream.Ref]*follower
	queues   map[stream.Ref][]stream.Command // commands that wait; a key for each stream whose commands are worked off
	readings map[stream.Ref]*wire.Reading    // live readings that wait, the newest; a key for each stream whose are worked off
	pending  int                             // commands waiting or under way
	busy     int                             // streams whose commands are worked off
	settled  bool                            // no further message is taken
	idle     chan struct{}                   // closed when settled and no command waits or is under way
}

func newConn(s *Server, ws *websocket.Conn, cookie string) *conn {
	l := s.limits
	c := &conn{
		server: s, ws: ws, id: stream.NewID(), cookie: cookie,
		written: make(chan struct{}), slots: make(chan struct{}, l.AtOnce), idle: make(chan struct{}),
		frames: newBucket(l.FramesPerSecond, l.FrameBurst), commands: newBucket(l.CommandsPerSecond, l.CommandBurst),
	}
	c.box = newOutbox(l.OutboxBytes, l.OutboxMessages, c.write)
	c.ctx, c.cancel = context.WithCancel(context.Background())
	ws.SetPingHandler(func(payload string) error {
		c.alive()
		c.box.putPong(payload)
		return nil
	})
	ws.SetPongHandler(func(string) error {
		c.alive()
		return nil
	})
	ws.SetCloseHandler(func(int, string) error { return nil }) // run answers it, through the writer
	return c
}

// run serves the connection until both directions are closed and everything it started has ended.
func (c *conn) run() {
	c.mu.Lock()
	if !c.ended {
		c.alarm = time.AfterFunc(c.server.limits.HelloWait, func() { c.end(wire.CloseNoHello, true) })
		c.pinger = time.AfterFunc(c.server.limits.PingEvery, c.ping)
	}
	c.mu.Unlock()
	c.alive()

	err := c.read()
	var said *websocket.CloseError
	var network net.Error
	switch {
	case errors.As(err, &said) && said.Code != websocket.CloseAbnormalClosure:
		c.end(wire.CloseDone, false)
	case errors.As(err, &network) && network.Timeout():
		c.end(wire.CloseSilent, false)
	case errors.As(err, &said), errors.As(err, &network), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, net.ErrClosed):
		c.ws.Close() // nobody is there: a write that is stuck must not wait
		c.end(wire.CloseGone, false)
	default: // the library has sent the close frame already
		c.end(wire.CloseProtocol, false)
		io.Copy(io.Discard, c.ws.NetConn()) // until the client has read it, or time is up
	}
	<-c.written
	c.ws.Close()
	c.unfollowAll()
	c.work.Wait()
	_, dropped := c.box.waiting()
	c.server.forget(c, c.code, dropped)
}

// abandon gives up a connection that never ran.
func (c *conn) abandon() {
	c.cancel()
	c.ws.Close()
}

// end closes the connection with a code, once: the first caller's counts. What waits is written before, unless drain is
// false. It never blocks.
func (c *conn) end(code wire.CloseCode, drain bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended {
		return
	}
	c.ended, c.code, c.settled = true, code, true
	c.endBy = time.Now().Add(c.server.limits.CloseWait)
	if c.alarm != nil {
		c.alarm.Stop()
		c.pinger.Stop()
	}
	c.cancel()
	c.box.finish(websocket.FormatCloseMessage(int(code), code.Reason()), drain)
	c.ws.NetConn().SetReadDeadline(c.endBy)
	c.ws.NetConn().SetWriteDeadline(c.endBy) // for a write that is stuck now
}

// cut ends the connection without a word.
func (c *conn) cut() {
	c.end(wire.CloseLeaving, false)
	c.ws.Close()
}

// leave ends the connection because the server stops: no further message is taken, the commands there are are answered.
func (c *conn) leave(ctx context.Context) {
	c.mu.Lock()
	c.settled = true
	c.quiet()
	c.mu.Unlock()
	select {
	case <-c.idle:
	case <-c.written:
	case <-ctx.Done():
	}
	c.end(wire.CloseLeaving, true)
	select {
	case <-c.written:
	case <-ctx.Done():
	}
}

// quiet notes that no command is left and none will come. Called with mu held.
func (c *conn) quiet() {
	if !c.settled || c.busy > 0 {
		return
	}
	select {
	case <-c.idle:
	default:
		close(c.idle)
	}
}

// over reports whether the connection has ended or takes no more messages.
func (c *conn) over() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ended || c.settled
}

// alive puts off the end that silence brings.
func (c *conn) alive() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.ended {
		c.ws.SetReadDeadline(time.Now().Add(c.server.limits.PongWait))
	}
}

// read handles messages until the connection fails or the other side closes it. After our own close it goes on reading
// and ignoring, or the client might lose what was written last (a socket closed with unread input is reset).
func (c *conn) read() error {
	for {
		kind, r, err := c.ws.NextReader()
		if err != nil {
			return err
		}
		if c.over() {
			continue
		}
		frame, err := io.ReadAll(io.LimitReader(r, wire.MaxFrame+1))
		if err != nil {
			return err
		}
		c.alive()
		switch {
		case kind != websocket.TextMessage:
			c.refuse(wire.About{}, wire.Binary())
			c.end(wire.CloseBinary, true)
		case len(frame) > wire.MaxFrame:
			c.refuse(wire.About{}, wire.TooLong())
			c.end(wire.CloseTooLong, true)
		default:
			c.pace()
			c.apart(func() { c.handle(frame) })
		}
	}
}

// apart runs work in a goroutine of its own and waits for it: the reader's stack would grow with the work, and stay
// grown while the connection idles, which costs more memory than all the rest of it.
func (c *conn) apart(work func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer c.recovered(wire.About{})
		work()
	}()
	<-done
}

// pace makes a client that sends too fast wait: nothing is read meanwhile.
func (c *conn) pace() {
	for {
		wait := c.frames.take(time.Now())
		if wait == 0 {
			return
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-c.ctx.Done():
			t.Stop()
			return
		}
	}
}

// write writes what waits. It is started when there is something and ends when there is nothing more, so that an idle
// connection costs no goroutine; the outbox sees to it that there is one at a time. After the close frame, or when
// writing fails, there is none again.
func (c *conn) write() {
	for {
		kind, data := c.box.next()
		var err error
		switch kind {
		case 0:
			return
		case websocket.CloseMessage:
			c.ws.WriteControl(kind, data, c.writeBy()) // the last word: nothing follows from its failing
			close(c.written)
			return
		case websocket.TextMessage:
			c.ws.SetWriteDeadline(c.writeBy())
			err = c.ws.WriteMessage(kind, data)
		default:
			err = c.ws.WriteControl(kind, data, c.writeBy())
		}
		if err != nil {
			c.stuck()
			close(c.written)
			return
		}
	}
}

// ping asks for a sign of life, again and again, and looks whether the member still is one. The clock is the server's: a
// client that answers no ping is looked at as often as any.
func (c *conn) ping() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.ended {
		c.box.putPing()
		c.recheck()
		c.pinger.Reset(c.server.limits.PingEvery)
	}
}

// stuck ends a connection that takes nothing any more.
func (c *conn) stuck() {
	c.end(wire.CloseSlow, false)
	c.ws.Close()
}

// writeBy is when a frame that is written now must have been taken.
func (c *conn) writeBy() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended {
		return c.endBy
	}
	return time.Now().Add(c.server.limits.WriteWait)
}

// say puts a durable message into the outbox.
func (c *conn) say(m wire.Outgoing) { c.put(wire.Encode(m)) }

func (c *conn) put(frame []byte) bool {
	if c.box.put(frame) {
		return true
	}
	c.end(wire.CloseSlow, false)
	return false
}
