package postgres

import (
	"context"
	"io"
	"net"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
)

// proxy stands between a DB and its server, and breaks what it is told to break.
type proxy struct {
	url string // of the database, through the proxy

	network, address string // the server's
	wg               sync.WaitGroup

	mu       sync.Mutex
	conns    map[net.Conn]struct{} // both sides; guarded by mu
	refusing bool                  // guarded by mu
	cut      *cut                  // guarded by mu
	held     chan struct{}         // closed when answers may pass again; guarded by mu
	arrived  chan struct{}         // gets one for each chunk that went to the server while held; guarded by mu
	passed   [2]int                // bytes since the count began, by direction; guarded by mu
}

type direction int

const (
	toServer direction = iota
	toClient
)

// cut lets bytes pass in one direction, then closes the connection they went over.
type cut struct {
	dir  direction
	left int
	done chan struct{}
}

func newProxy(t testing.TB, database string) *proxy {
	t.Helper()
	config, err := pgx.ParseConfig(database)
	require.NoError(t, err)
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{conns: map[net.Conn]struct{}{}}
	p.network, p.address = pgconn.NetworkAddress(config.Host, config.Port)

	host, port, err := net.SplitHostPort(listener.Addr().String())
	require.NoError(t, err)
	u := url.URL{Scheme: "postgres", User: url.User(config.User), Host: net.JoinHostPort(host, port),
		Path: "/" + config.Database, RawQuery: "sslmode=disable"}
	if config.Password != "" {
		u.User = url.UserPassword(config.User, config.Password)
	}
	p.url = u.String()

	p.wg.Go(func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			p.wg.Go(func() { p.serve(client) })
		}
	})
	t.Cleanup(func() {
		listener.Close()
		p.refuse(true)
		p.wg.Wait()
	})
	return p
}

func (p *proxy) serve(client net.Conn) {
	defer client.Close()
	server, err := net.Dial(p.network, p.address)
	if err != nil {
		return
	}
	defer server.Close()
	p.mu.Lock()
	if p.refusing {
		p.mu.Unlock()
		return
	}
	p.conns[client], p.conns[server] = struct{}{}, struct{}{}
	p.mu.Unlock()
	var both sync.WaitGroup
	for _, way := range []struct {
		dir      direction
		from, to net.Conn
	}{{toServer, client, server}, {toClient, server, client}} {
		both.Go(func() {
			defer client.Close()
			defer server.Close()
			p.pump(way.dir, way.from, way.to)
		})
	}
	both.Wait()
	p.mu.Lock()
	delete(p.conns, client)
	delete(p.conns, server)
	p.mu.Unlock()
}

func (p *proxy) pump(dir direction, from, to io.ReadWriter) {
	buf := make([]byte, 1<<16)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		if !p.pass(dir, buf[:n], to) {
			return
		}
	}
}

// pass writes what may pass and reports whether the connection goes on.
func (p *proxy) pass(dir direction, b []byte, to io.Writer) bool {
	p.mu.Lock()
	p.passed[dir] += len(b)
	c := p.cut
	if c != nil && c.dir == dir && len(b) >= c.left {
		p.cut = nil
		p.mu.Unlock()
		defer close(c.done)
		_, _ = to.Write(b[:c.left]) // it is being broken anyway
		return false
	}
	if c != nil && c.dir == dir {
		c.left -= len(b)
	}
	held, arrived := p.held, p.arrived
	p.mu.Unlock()
	if held != nil && dir == toClient {
		<-held
	}
	_, err := to.Write(b)
	if held != nil && dir == toServer {
		select {
		case arrived <- struct{}{}:
		default:
		}
	}
	return err == nil
}

// hold keeps the server's answers back until release; arrived tells when something went to the server meanwhile.
func (p *proxy) hold() (arrived <-chan struct{}, release func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	held := make(chan struct{})
	p.held, p.arrived = held, make(chan struct{}, 1)
	return p.arrived, sync.OnceFunc(func() {
		p.mu.Lock()
		p.held = nil
		p.mu.Unlock()
		close(held)
	})
}

// cutAfter breaks the next connection over which that many bytes went in that direction.
func (p *proxy) cutAfter(dir direction, bytes int) (done <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut = &cut{dir: dir, left: bytes, done: make(chan struct{})}
	return p.cut.done
}

// count forgets what passed so far and gives it.
func (p *proxy) count() (toServerBytes, toClientBytes int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := p.passed
	p.passed = [2]int{}
	return n[toServer], n[toClient]
}

// refuse breaks every connection and takes no new ones, until told otherwise.
func (p *proxy) refuse(yes bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.refusing = yes
	for c := range p.conns {
		if yes {
			c.Close()
		}
	}
}

// unprivileged makes a login of no rights, unique to the test, and gives the URL for it.
func unprivileged(t testing.TB, database string) (login, loginURL string) {
	t.Helper()
	admin := superuser(t, database)
	login = "someone_" + strings.ReplaceAll(admin.Config().Database, "readback_test_", "")
	name := pgx.Identifier{login}.Sanitize()
	_, err := admin.Exec(t.Context(), "create role "+name+" login password 'invented'")
	require.NoError(t, err)
	t.Cleanup(func() {
		ctx := context.WithoutCancel(t.Context())
		_, err := admin.Exec(ctx, "drop owned by "+name+"; drop role "+name)
		require.NoError(t, err)
	})
	u, err := url.Parse(database)
	require.NoError(t, err)
	u.User = url.UserPassword(login, "invented")
	return login, u.String()
}
