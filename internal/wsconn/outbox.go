package wsconn

import (
	"sync"

	"github.com/gorilla/websocket"
)

// outbox is what waits to be written to one connection. Any goroutine may put; only the writer takes. What happens now
// never waits for room: a durable message that finds none ends the connection, an ephemeral one replaces the one before
// it. Only the past waits, and takes no more than half of the room.
type outbox struct {
	mostBytes, mostMessages int
	write                   func() // the writer: takes with next until that gives 0

	mu      sync.Mutex // guards what follows
	writing bool       // a writer is at work, or never will be again
	durable [][]byte   // in order, each exactly once
	latest  map[string][]byte
	order   []string      // keys of latest, first put first
	bytes   int           // of both
	ping    bool          // a ping is to be sent
	pong    []byte        // the last ping's payload; nil: no answer is owed
	closing []byte        // the close frame's payload, once the connection ends
	dropped uint64        // ephemeral messages never written
	half    chan struct{} // closed when half of the room is free; nil: nobody waits for it
}

func newOutbox(mostBytes, mostMessages int, write func()) *outbox {
	return &outbox{mostBytes: mostBytes, mostMessages: mostMessages, write: write}
}

// signal starts the writer if there is none. Called with mu held.
func (b *outbox) signal() {
	if !b.writing {
		b.writing = true
		go b.write()
	}
}

// put adds a durable message. It reports false if there is no room: the caller must end the connection. One message
// alone always finds room, however long it is.
func (b *outbox) put(frame []byte) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closing != nil {
		return true // on the way out already; whoever misses it resumes
	}
	for len(b.order) > 0 && b.bytes+len(frame) > b.mostBytes {
		b.drop(0)
	}
	if len(b.durable) > 0 && (len(b.durable) >= b.mostMessages || b.bytes+len(frame) > b.mostBytes) {
		return false
	}
	b.add(frame)
	return true
}

// putPast adds a durable message of the past if half of the room is free; otherwise it gives what to wait for before
// trying again.
func (b *outbox) putPast(frame []byte) (wait <-chan struct{}) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closing != nil {
		return nil
	}
	if b.roomy() {
		b.add(frame)
		return nil
	}
	if b.half == nil {
		b.half = make(chan struct{})
	}
	return b.half
}

func (b *outbox) roomy() bool { return b.bytes <= b.mostBytes/2 && len(b.durable) <= b.mostMessages/2 }

// release lets those go on who wait for room. Called with mu held.
func (b *outbox) release() {
	if b.half != nil && (b.closing != nil || b.roomy()) {
		close(b.half)
		b.half = nil
	}
}

func (b *outbox) add(frame []byte) {
	b.durable = append(b.durable, frame)
	b.bytes += len(frame)
	b.signal()
}

// drop gives up the ephemeral message at place i of the order.
func (b *outbox) drop(i int) {
	key := b.order[i]
	b.bytes -= len(b.latest[key])
	delete(b.latest, key)
	b.order = append(b.order[:i], b.order[i+1:]...)
	b.dropped++
}

// putLatest adds an ephemeral message in place of an earlier one with the key, if that still waits. False says that one of
// the two is lost.
func (b *outbox) putLatest(key string, frame []byte) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closing != nil {
		return false
	}
	if old, waits := b.latest[key]; waits {
		b.bytes += len(frame) - len(old)
		b.latest[key] = frame
		b.dropped++
		return false
	}
	if b.bytes+len(frame) > b.mostBytes {
		b.dropped++
		return false
	}
	if b.latest == nil {
		b.latest = map[string][]byte{}
	}
	b.latest[key] = frame
	b.order = append(b.order, key)
	b.bytes += len(frame)
	b.signal()
	return true
}

// lose counts an ephemeral message that came to nothing before it could be put.
func (b *outbox) lose() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dropped++
}

// putPing asks the other side for a pong.
func (b *outbox) putPing() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ping = true
	b.signal()
}

// putPong answers a ping; several pings before the answer get one (RFC 6455, section 5.5.3).
func (b *outbox) putPong(payload string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.pong = append([]byte{}, payload...)
	b.signal()
}

// finish makes the close frame the last thing written: after what waits, or, unless drain, instead of it. Only the first
// call counts.
func (b *outbox) finish(closing []byte, drain bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closing != nil {
		return
	}
	b.closing = closing
	b.dropped += uint64(len(b.order))
	b.latest, b.order = nil, nil
	if !drain {
		b.durable = nil
	}
	b.bytes = 0
	for _, frame := range b.durable {
		b.bytes += len(frame)
	}
	b.release()
	b.signal()
}

// next takes what is to be written now and says as which kind of websocket message. 0 says that nothing waits: the writer
// must end, and another starts when something does. After a close message none starts.
func (b *outbox) next() (kind int, data []byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.pong != nil:
		data, b.pong = b.pong, nil
		return websocket.PongMessage, data
	case b.ping:
		b.ping = false
		return websocket.PingMessage, nil
	case len(b.durable) > 0:
		data, b.durable[0] = b.durable[0], nil
		if b.durable = b.durable[1:]; len(b.durable) == 0 {
			b.durable = nil // an idle connection holds no memory
		}
	case len(b.order) > 0:
		data = b.latest[b.order[0]]
		delete(b.latest, b.order[0])
		if b.order = b.order[1:]; len(b.order) == 0 {
			b.latest, b.order = nil, nil
		}
	case b.closing != nil:
		return websocket.CloseMessage, b.closing
	default:
		b.writing = false
		return 0, nil
	}
	b.bytes -= len(data)
	b.release()
	return websocket.TextMessage, data
}

// waiting is how many bytes wait, and how many ephemeral messages were dropped so far.
func (b *outbox) waiting() (bytes int, dropped uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.bytes, b.dropped
}
