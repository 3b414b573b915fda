package bench

import (
	"bytes"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/wire"
)

// BenchmarkMessage is one command by a connection that becomes an entry at another, with the database taken out: what the
// program itself does for a message, and what both ends do. "client" goes through package client as everything measured here
// does, "bare" writes and reads frames and looks no further than what they say: the difference is what the client costs. Some
// pairs are at it at once, so that the processors do not go to sleep between a message's steps. The processor time of the
// process is said beside the time, since the latter is the machine's as well. A calibration holds 20,000 entries, which is
// enough for half a minute.
func BenchmarkMessage(b *testing.B) {
	for _, way := range []string{"client", "bare"} {
		b.Run(way, func(b *testing.B) {
			s := newSide(b, forgetful{memstore.New()}, nil, nil)
			s.found(b)
			b.SetParallelism(8)
			pairs := 8 * runtime.GOMAXPROCS(0)
			messages := make([]func() error, pairs)
			if way == "client" {
				s.connect(b, pairs)
			}
			for i := range messages {
				if way == "client" {
					messages[i] = func() error { return s.pairs[i].message(b.Context()) }
				} else {
					messages[i] = newBare(b, s).message
				}
			}
			var next atomic.Int64
			b.ReportAllocs()
			b.ResetTimer()
			before := ownCPU(b)
			b.RunParallel(func(pb *testing.PB) {
				message := messages[next.Add(1)-1]
				for pb.Next() {
					if err := message(); err != nil {
						b.Error(err)
						return
					}
				}
			})
			b.ReportMetric(float64((ownCPU(b)-before).Nanoseconds())/float64(b.N), "cpu-ns/op")
		})
	}
}

// bare is a pair without the client.
type bare struct {
	from, to *websocket.Conn
	ref      stream.Ref
	frame    bytes.Buffer
}

func newBare(b *testing.B, s *side) *bare {
	b.Helper()
	who, token := s.member(b)
	ref, err := s.calibration(b.Context(), who)
	require.NoError(b, err)
	p := &bare{ref: ref}
	for _, end := range []**websocket.Conn{&p.from, &p.to} {
		d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol}, ReadBufferSize: 4096, WriteBufferSize: 4096}
		ws, _, err := d.DialContext(b.Context(), "ws"+strings.TrimPrefix(s.url, "http"), nil)
		require.NoError(b, err)
		b.Cleanup(func() { ws.Close() })
		*end = ws
		require.NoError(b, ws.WriteJSON(map[string]any{"say": "hello", "protocol": 1, "client": "bench/1", "token": token}))
	}
	require.NoError(b, p.to.WriteJSON(map[string]any{"say": "follow", "stream": ref, "after": 1}))
	require.NoError(b, p.until(p.from, "welcome"))
	require.NoError(b, p.until(p.to, "caught-up"))
	return p
}

func (p *bare) message() error {
	frame := fmt.Appendf(nil, `{"say":"command","stream":{"kind":%q,"id":%q},"command":{"id":%q,"base":1,"type":"note","data":{"text":%q}}}`,
		p.ref.Kind, p.ref.ID, stream.NewID(), note)
	if err := p.from.WriteMessage(websocket.TextMessage, frame); err != nil {
		return err
	}
	if err := p.until(p.from, "accepted"); err != nil {
		return err
	}
	return p.until(p.to, "entry")
}

// until reads messages until one says so. Every message of the server begins with what it says.
func (p *bare) until(ws *websocket.Conn, say string) error {
	want, refused := []byte(`{"say":"`+say+`"`), []byte(`{"say":"refused"`)
	for {
		_, r, err := ws.NextReader()
		if err != nil {
			return err
		}
		p.frame.Reset()
		if _, err := p.frame.ReadFrom(r); err != nil {
			return err
		}
		switch got := p.frame.Bytes(); {
		case bytes.HasPrefix(got, want):
			return nil
		case bytes.HasPrefix(got, refused), bytes.HasPrefix(got, []byte(`{"say":"ended"`)):
			return errors.New(p.frame.String())
		}
	}
}

// ownCPU is the processor time this process has used.
func ownCPU(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
