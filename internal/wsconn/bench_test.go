package wsconn_test

import (
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"sync"
	"testing"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/toyserver"
	"readback/internal/wire"
	"readback/internal/wsconn"
)

// BenchmarkIdleFollower reports what a welcomed connection that follows a stream and hears nothing takes in this
// process: heap and stacks, with the client's socket but without the client's buffers.
func BenchmarkIdleFollower(b *testing.B) {
	s := toyserver.New(b, toyserver.Options{Limits: wsconn.Limits{PerMember: 1 << 20}})
	h := httptest.NewServer(s.Sockets)
	var clients []net.Conn
	defer func() {
		for _, c := range clients {
			c.Close()
		}
		h.Close()
		require.NoError(b, s.Stop(b.Context()))
	}()
	token := s.Token(s.Ann)
	d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol}}
	connect := func(ref stream.Ref) {
		ws, _, err := d.Dial("ws"+h.URL[4:], http.Header{})
		require.NoError(b, err)
		require.NoError(b, ws.WriteJSON(map[string]any{"say": "hello", "protocol": 1, "client": "bench/1", "token": token}))
		require.NoError(b, ws.WriteJSON(map[string]any{"say": "follow", "stream": ref, "after": 1}))
		for {
			var m struct{ Say string }
			require.NoError(b, ws.ReadJSON(&m))
			if m.Say == "caught-up" {
				break
			}
		}
		clients = append(clients, ws.NetConn()) // the rest of the client is garbage now
	}
	var refs []stream.Ref
	for range 100 {
		refs = append(refs, s.Open(0))
	}
	connect(refs[0])
	before := used()
	n := 0
	for b.Loop() {
		if n < 2000 {
			n++
			connect(refs[n%len(refs)])
		}
	}
	b.ReportMetric(float64(used()-before)/float64(n), "B/connection")
}

func used() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc + m.StackInuse
}

// BenchmarkCommandToFollower is a command by one socket to its entry at another, over a store in memory: with so many
// calibrations at once.
func BenchmarkCommandToFollower(b *testing.B) {
	for _, pairs := range []int{1, 100} {
		b.Run(fmt.Sprint(pairs), func(b *testing.B) {
			s := toyserver.New(b, toyserver.Options{Limits: wsconn.Limits{PerMember: 1 << 20, CommandsPerSecond: 1 << 30, CommandBurst: 1 << 30, FramesPerSecond: 1 << 30, FrameBurst: 1 << 30}})
			h := httptest.NewServer(s.Sockets)
			defer func() {
				h.Close()
				require.NoError(b, s.Stop(b.Context()))
			}()
			d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol}}
			join := func() *websocket.Conn {
				ws, _, err := d.Dial("ws"+h.URL[4:], nil)
				require.NoError(b, err)
				require.NoError(b, ws.WriteJSON(map[string]any{"say": "hello", "protocol": 1, "client": "bench/1", "token": s.Token(s.Ann)}))
				return ws
			}
			until := func(ws *websocket.Conn, say string) bool {
				for {
					var m struct{ Say string }
					if ws.ReadJSON(&m) != nil {
						return false
					}
					if m.Say == say {
						return true
					}
				}
			}
			type pair struct {
				from, to *websocket.Conn
				ref      stream.Ref
			}
			var all []pair
			for range pairs {
				p := pair{join(), join(), s.Open(0)}
				require.NoError(b, p.to.WriteJSON(map[string]any{"say": "follow", "stream": p.ref, "after": 1}))
				require.True(b, until(p.to, "caught-up"))
				all = append(all, p)
			}
			b.ReportAllocs()
			b.ResetTimer()
			var running sync.WaitGroup
			for i, p := range all {
				running.Go(func() {
					for n := i; n < b.N; n += pairs {
						if p.from.WriteJSON(map[string]any{"say": "command", "stream": p.ref, "command": toyserver.Note("x", n%1000)}) != nil ||
							!until(p.from, "accepted") || !until(p.to, "entry") {
							b.Error("a connection broke")
							return
						}
					}
				})
			}
			running.Wait()
			b.StopTimer()
			for _, p := range all {
				p.from.Close()
				p.to.Close()
			}
		})
	}
}
