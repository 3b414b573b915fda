package client_test

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"readback/api/client"
	"readback/internal/account"
	"readback/internal/httpapi"
	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/wsconn"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// world is a server that clients reach over pipes, in a synctest bubble: waits take no time.
type world struct {
	*toyserver.Server
	t       *testing.T
	pipes   *toyserver.Pipes
	handler atomic.Pointer[http.Handler]

	cutNext atomic.Bool // the next connection is cut right behind its first write

	mu    sync.Mutex // guards lines
	lines []*line    // all connections made by clients

	lives []*client.Live // closed at the end
}

// accounts is the store of sign-in names.
type accounts map[string]account.Account

func (a accounts) AccountByLogin(_ context.Context, login string) (account.Account, error) {
	got, ok := a[login]
	if !ok {
		return account.Account{}, account.ErrUnknown
	}
	return got, nil
}

func inBubble(t *testing.T, o toyserver.Options, f func(t *testing.T, w *world)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := &world{Server: toyserver.New(t, o), t: t, pipes: toyserver.NewPipes()}
		w.mount(w.Sockets, nil)
		h := &http.Server{Handler: http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) { (*w.handler.Load()).ServeHTTP(rw, r) })}
		var serving sync.WaitGroup
		serving.Go(func() { h.Serve(w.pipes) })
		defer func() {
			for _, l := range w.lives {
				l.Close()
			}
			require.NoError(t, w.Stop(context.Background()))
			h.Close()
			serving.Wait()
		}()
		f(t, w)
	})
}

// mount puts the server's whole interface in front of the sockets. Without a desk nobody signs in by name.
func (w *world) mount(sockets *wsconn.Server, desk *account.Desk) {
	api := &httpapi.Server{
		Hub: w.Hub, Sessions: w.Sessions, Sockets: sockets, Accounts: desk, TrailKey: "toy+0+key", Log: slog.New(slog.DiscardHandler),
	}
	h := api.Handler()
	w.handler.Store(&h)
}

// client makes a client that is signed in by token.
func (w *world) client(member stream.ID) *client.Client {
	w.t.Helper()
	c := w.stranger()
	c.Use(w.Token(member))
	return c
}

func (w *world) stranger() *client.Client {
	w.t.Helper()
	c, err := client.New(client.Config{URL: "http://toy.example", Name: "test/1", Dial: w.dial})
	require.NoError(w.t, err)
	return c
}

func (w *world) connect(c *client.Client) *client.Live {
	w.t.Helper()
	l, err := c.Connect(w.t.Context())
	require.NoError(w.t, err)
	w.lives = append(w.lives, l)
	return l
}

func ref(r stream.Ref) client.Ref { return client.Ref{Kind: string(r.Kind), ID: r.ID.String()} }

func note(text string, n int) client.Command {
	return client.Command{Type: "note", Data: map[string]any{"text": text, "n": n}}
}

// line is a connection that can be cut or fall silent.
type line struct {
	net.Conn
	writes     atomic.Int64
	cutAtWrite atomic.Int64 // cut right behind the write of that number, with nothing read any more; 0: never
	cut        atomic.Bool
	silent     atomic.Bool // what is written vanishes, and nothing is read, but nothing fails
}

func (w *world) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	c, err := w.pipes.Dial(ctx, network, addr)
	if err != nil {
		return nil, err
	}
	l := &line{Conn: c}
	if w.cutNext.Swap(false) {
		l.cutAtWrite.Store(1)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.lines = append(w.lines, l)
	return l, nil
}

// last is the newest connection.
func (w *world) last() *line {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.lines[len(w.lines)-1]
}

func (l *line) Write(b []byte) (int, error) {
	if l.silent.Load() {
		return len(b), nil
	}
	if l.writes.Add(1) == l.cutAtWrite.Load() {
		l.cut.Store(true)
		defer l.Conn.Close()
	}
	return l.Conn.Write(b)
}

func (l *line) Read(b []byte) (int, error) {
	for {
		n, err := l.Conn.Read(b)
		if l.cut.Load() {
			return 0, net.ErrClosed
		}
		if err != nil || !l.silent.Load() {
			return n, err
		}
	}
}

// cutSometimes cuts the newest connection now and then until stop is closed.
func (w *world) cutSometimes(seed uint64, stop <-chan struct{}) {
	random := rand.New(rand.NewPCG(seed, 0))
	for {
		t := time.NewTimer(time.Duration(random.IntN(3000)) * time.Millisecond)
		select {
		case <-t.C:
			w.last().Close()
		case <-stop:
			t.Stop()
			return
		}
	}
}

// pass lets time pass in a bubble, which takes none.
func pass(d time.Duration) { <-time.NewTimer(d).C }
