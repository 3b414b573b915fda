package toyserver

import (
	"bytes"
	"context"
	"net"
	"sync"
)

// Pipes is a net.Listener without a network: connections are pairs of net.Pipe, whose writes wait until they are read
// and whose deadlines follow the clock of a synctest bubble.
type Pipes struct {
	accept chan net.Conn
	done   chan struct{}
	once   sync.Once
}

// NewPipes makes a listener.
func NewPipes() *Pipes {
	return &Pipes{accept: make(chan net.Conn), done: make(chan struct{})}
}

// Dial connects.
func (p *Pipes) Dial(ctx context.Context, _, _ string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.accept <- there:
		return here, nil
	case <-p.done:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Accept implements net.Listener.
func (p *Pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.accept:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

// Close implements net.Listener.
func (p *Pipes) Close() error {
	p.once.Do(func() { close(p.done) })
	return nil
}

// Addr implements net.Listener.
func (p *Pipes) Addr() net.Addr { return pipeAddr{} }

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "toy.example:80" }

// Log keeps what is written to it. It may be used from many goroutines.
type Log struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write implements io.Writer.
func (l *Log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

// String is everything so far.
func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}
