// Package wsconn carries the live protocol over websockets: it upgrades requests, authenticates, and moves messages
// between a connection and the hub. What the messages are stands in package wire; what they do, in package live.
//
// Invariants. Each connection has one goroutine that reads and owns it, and at most one that writes: the reader returns
// only after the writer and every command has. Nobody waits for a slow client: what it does not take waits in an outbox
// bounded in bytes and messages. Durable messages (entries, answers) are never dropped; if they find no room the
// connection is closed with a code that says resume, and the client gets the rest from the trail. Ephemeral ones
// (presence, live readings) are replaced by newer ones, and counted. A message that is refused harms neither its connection nor any
// other. A command that has been read runs to its end whether or not its client is still there; the client asks again
// with the same id.
//
// Nothing here trusts the request's context after the upgrade, and access tokens are taken from a cookie, under the
// same-origin rule, or from the first message, never from the address.
package wsconn

import (
	"context"
	"encoding/json"
	"log/slog"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/token"
	"readback/internal/wire"
)

// bufferSize is that of the read buffer each connection has and of the write buffers they share, in bytes. Longer
// messages pass through in several steps.
const bufferSize = 1024

// Config is what a Server is made of. Hub and Check are needed.
type Config struct {
	Hub   *live.Hub
	Check func(text string) (token.Access, error) // of an access token
	// Still is asked when an access token has run out whether its session goes on, and again at the instant it gives; acted
	// says whether commands came since. A sign-in-needed fault closes the connection. Without Still a connection ends
	// with its token.
	Still  func(ctx context.Context, a token.Access, acted bool) (until time.Time, err error)
	Cookie string // the cookie that carries the access token of browsers; none if empty
	Limits Limits
	Log    *slog.Logger // slog.Default() if nil
}

// Server is the live connections of one node. It is an http.Handler: mount it where clients connect.
type Server struct {
	c        Config
	limits   Limits
	log      *slog.Logger
	upgrader websocket.Upgrader
	running  sync.WaitGroup // connections

	hard context.Context // ends when Shutdown loses patience
	kill context.CancelFunc

	mu      sync.Mutex // guards what follows
	conns   map[*conn]struct{}
	people  map[stream.Person]map[*conn]struct{} // those signed in
	closing bool
	closed  map[wire.CloseCode]uint64 // connections closed so far, by code
	dropped uint64                    // ephemeral messages that closed connections never got
}

// New makes a Server. A Config without a Hub or a Check, or with limits that contradict each other, is a mistake of the programmer's.
func New(c Config) *Server {
	if c.Hub == nil || c.Check == nil {
		panic("wsconn: a server needs a Hub and a Check")
	}
	if c.Log == nil {
		c.Log = slog.Default()
	}
	limits := c.Limits.filled()
	if limits.PingEvery >= limits.PongWait {
		panic("wsconn: PingEvery must be shorter than PongWait")
	}
	s := &Server{
		c: c, limits: limits, log: c.Log,
		upgrader: websocket.Upgrader{
			HandshakeTimeout: 10 * time.Second,
			ReadBufferSize:   bufferSize, WriteBufferSize: bufferSize, WriteBufferPool: &sync.Pool{},
			Subprotocols: []string{wire.Subprotocol},
			Error: func(w http.ResponseWriter, _ *http.Request, status int, reason error) {
				e := fault.New(fault.Malformed, "This address takes websocket connections only.").Because(reason)
				if status == http.StatusForbidden { // the default check of the origin
					e = fault.New(fault.ForeignPage, "The request came from a page of another origin.")
				}
				refuse(w, e)
			},
		},
		conns: map[*conn]struct{}{}, people: map[stream.Person]map[*conn]struct{}{}, closed: map[wire.CloseCode]uint64{},
	}
	s.hard, s.kill = context.WithCancel(context.Background())
	return s
}

// ServeHTTP upgrades a request. It returns at once: the connection lives on without the request and its buffers.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if websocket.IsWebSocketUpgrade(r) && !slices.Contains(websocket.Subprotocols(r), wire.Subprotocol) {
		refuse(w, fault.New(fault.Malformed, "There is no protocol in common.",
			fault.Field{Name: "Sec-WebSocket-Protocol", Want: wire.Subprotocol}))
		return
	}
	if err := s.room(); err != nil {
		refuse(w, err)
		return
	}
	var cookie string
	if got, err := r.Cookie(s.c.Cookie); s.c.Cookie != "" && err == nil {
		cookie = got.Value
	}
	ws, err := s.upgrader.Upgrade(w, r, http.Header{"Set-Cookie": w.Header()["Set-Cookie"]}) // cookies that were renewed on the way here
	if err != nil {
		return // answered by the upgrader
	}
	c := newConn(s, ws, cookie)
	if !s.admit(c) {
		c.abandon()
		return
	}
	go c.run()
}

func refuse(w http.ResponseWriter, e *fault.Error) {
	p := wire.ProblemOf(e)
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p) // the client may have gone
}

// room says whether another connection may come.
func (s *Server) room() *fault.Error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closing:
		return fault.New(fault.NotReady, "This server is stopping. Connect again shortly.")
	case len(s.conns) >= s.limits.Connections:
		return fault.New(fault.TooMany, "This server has as many connections as it takes. Connect again later.")
	}
	return nil
}

// admit makes the connection one of ours, unless the server has begun to stop meanwhile.
func (s *Server) admit(c *conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closing {
		return false
	}
	s.conns[c] = struct{}{}
	s.running.Add(1)
	return true
}

// signIn counts the connection as the member's, if that leaves the member within the limit. Those that are being closed
// do not count.
func (s *Server) signIn(c *conn, p stream.Person) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	of := s.people[p]
	open := 0
	for other := range of {
		if !other.over() {
			open++
		}
	}
	if open >= s.limits.PerMember {
		return false
	}
	if of == nil {
		of = map[*conn]struct{}{}
		s.people[p] = of
	}
	of[c] = struct{}{}
	return true
}

// forget is the last thing that happens to a connection.
func (s *Server) forget(c *conn, code wire.CloseCode, dropped uint64) {
	s.mu.Lock()
	delete(s.conns, c)
	if of := s.people[c.access.Person()]; of != nil {
		if delete(of, c); len(of) == 0 {
			delete(s.people, c.access.Person())
		}
	}
	s.closed[code]++
	s.dropped += dropped
	s.mu.Unlock()
	s.running.Done()
}

// CloseSession closes the connections of a session that has ended.
func (s *Server) CloseSession(id stream.ID) {
	s.signOut(func(c *conn) bool { return c.access.Session == id })
}

// Members are those of an organisation who have a connection here.
func (s *Server) Members(org stream.ID) []stream.ID {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []stream.ID
	for p := range s.people {
		if p.Org == org {
			all = append(all, p.Member)
		}
	}
	return all
}

// Connected are those who have a connection here that is not being closed.
func (s *Server) Connected() []stream.Person {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make([]stream.Person, 0, len(s.people))
	for p, of := range s.people {
		for c := range of {
			if !c.over() {
				all = append(all, p)
				break
			}
		}
	}
	return all
}

// CloseMember closes all connections of a member: retired, or signed out everywhere.
func (s *Server) CloseMember(p stream.Person) {
	s.signOut(func(c *conn) bool { return c.access.Person() == p })
}

func (s *Server) signOut(which func(*conn) bool) {
	s.mu.Lock()
	var out []*conn
	for _, of := range s.people {
		for c := range of {
			if which(c) {
				out = append(out, c)
			}
		}
	}
	s.mu.Unlock()
	for _, c := range out {
		c.end(wire.CloseSignedOut, true)
	}
}

// stopAtOnce is how many connections are being closed at the same time while the server stops.
const stopAtOnce = 256

// Shutdown takes no new connections and closes those there are with a code that says resume: no further message is
// read, commands that have been are finished and answered, what waits is written, then the close. It returns when every
// connection is gone; when ctx ends first, it gives up on what is left, cuts it and returns ctx's error.
func (s *Server) Shutdown(ctx context.Context) error {
	s.mu.Lock()
	s.closing = true
	all := make([]*conn, 0, len(s.conns))
	for c := range s.conns {
		all = append(all, c)
	}
	s.mu.Unlock()

	gone := make(chan struct{})
	go func() {
		s.running.Wait()
		close(gone)
	}()
	turns := make(chan struct{}, stopAtOnce)
	var leaving sync.WaitGroup
	for _, c := range all {
		select {
		case turns <- struct{}{}:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			break
		}
		leaving.Go(func() {
			c.leave(ctx)
			<-turns
		})
	}
	leaving.Wait()
	select {
	case <-gone:
		s.kill()
		return nil
	case <-ctx.Done():
		s.kill()
		for _, c := range all {
			c.cut()
		}
		<-gone
		return ctx.Err()
	}
}

// Stats are counts for monitoring.
type Stats struct {
	Connections int                       // open now
	Members     int                       // with a connection now
	Waiting     int                       // bytes in all outboxes
	Dropped     uint64                    // ephemeral messages never written
	Closed      map[wire.CloseCode]uint64 // connections closed so far
}

// Stats may be called at any time.
func (s *Server) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := Stats{Connections: len(s.conns), Members: len(s.people), Dropped: s.dropped, Closed: map[wire.CloseCode]uint64{}}
	for code, n := range s.closed {
		st.Closed[code] = n
	}
	for c := range s.conns {
		bytes, dropped := c.box.waiting()
		st.Waiting += bytes
		st.Dropped += dropped
	}
	return st
}
