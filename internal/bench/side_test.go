package bench

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/live"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/token"
	"readback/internal/trail"
	"readback/internal/wire"
	"readback/internal/wsconn"
)

// side is the live server over one store: the program's rules, hub and sockets, a listener, and its clients. The
// clients run in this process and take their share of the processors, the same on every side.
type side struct {
	hub    *live.Hub
	url    string
	tokens *token.Tokens
	pairs  []*pair
}

// measured is the type of entry that the command makes which is measured: a note, which anyone may give at any time
// and which leaves the calibration as it is. Its text is sealed, as people's words are.
const measured = "noted"

const note = "Board centred on the thrust line, 1.10 m ahead of the bumper; the laser stands on the left front hub next."

// unlimited leaves out the bounds that keep one member's sockets from taking all of a server.
var unlimited = wsconn.Limits{
	PerMember: 1 << 20, CommandsPerSecond: 1 << 30, CommandBurst: 1 << 30, FramesPerSecond: 1 << 30, FrameBurst: 1 << 30,
}

func newSide(t testing.TB, store live.Store, bus live.Bus, fit func() error) *side {
	t.Helper()
	log := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
	wrap, err := trail.WrappingKeyFrom([]byte(strings.Repeat("w", trail.KeySize)))
	require.NoError(t, err)
	s := &side{hub: live.New(live.Config{Store: store, Bus: bus, Keys: wrap, Rules: app.Rules(), Fit: fit, Log: log})}
	s.tokens, err = token.New(token.Config{
		Issuer: "https://bench.example", Audience: "readback", Keys: []token.Key{{Private: ed25519.NewKeyFromSeed([]byte(strings.Repeat("s", 32)))}},
		Lasts: 24 * time.Hour, Now: time.Now,
	})
	require.NoError(t, err)
	sockets := wsconn.New(wsconn.Config{Hub: s.hub, Check: s.tokens.Check, Limits: unlimited, Log: log})
	server := httptest.NewServer(sockets)
	s.url = "ws" + strings.TrimPrefix(server.URL, "http")
	t.Cleanup(func() {
		ctx := context.WithoutCancel(t.Context())
		for _, p := range s.pairs {
			p.from.Close()
			p.to.Close()
		}
		server.Close()
		require.NoError(t, sockets.Shutdown(ctx))
		require.NoError(t, s.hub.Shutdown(ctx))
	})
	require.NoError(t, s.hub.Settled(t.Context()))
	return s
}

// shop reads the invented shop of the examples, and says which of its people is the technician.
func shop(t testing.TB) (in register.Imported, technician stream.ID) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/import/shop.json")
	require.NoError(t, err)
	in, err = register.Import(raw, stream.NewID)
	require.NoError(t, err)
	for _, s := range in.SignIns {
		if s.Login == apptest.Technician {
			technician = s.Member
		}
	}
	require.NotZero(t, technician)
	return in, technician
}

// found sets up the shop.
func (s *side) found(t testing.TB) {
	t.Helper()
	in, _ := shop(t)
	system := stream.Actor{Member: in.Organisation, Org: in.Organisation, Roles: []stream.Role{stream.System}}
	for _, cmd := range in.Commands {
		_, err := s.hub.Do(t.Context(), system, stream.Ref{Kind: stream.Register, ID: in.Organisation}, cmd)
		require.NoError(t, err, cmd.Type)
	}
}

// pair is two sockets: one gives commands to a calibration, the other follows it.
type pair struct {
	from, to *websocket.Conn
	ref      stream.Ref
	frame    bytes.Buffer
}

// connect opens so many calibrations, each of a job of its own, with a pair of sockets each.
func (s *side) connect(t testing.TB, pairs int) {
	t.Helper()
	in, member := shop(t)
	who, err := s.hub.Actor(t.Context(), in.Organisation, member)
	require.NoError(t, err)
	text, _, err := s.tokens.Issue(in.Organisation, member, stream.NewID())
	require.NoError(t, err)
	s.pairs = make([]*pair, pairs)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range 32 {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < pairs; i = int(next.Add(1)) - 1 {
				p, err := s.pair(t.Context(), who, text)
				if err != nil {
					t.Error(err)
					return
				}
				s.pairs[i] = p
			}
		})
	}
	wg.Wait()
	require.False(t, t.Failed())
}

func (s *side) pair(ctx context.Context, who stream.Actor, token string) (*pair, error) {
	do := func(ref stream.Ref, typ, data string) error {
		_, err := s.hub.Do(ctx, who, ref, stream.Command{ID: stream.NewID(), Type: typ, Data: json.RawMessage(data)})
		return err
	}
	job, ref := stream.Ref{Kind: stream.Job, ID: stream.NewID()}, stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
	if err := errors.Join(
		do(job, "open-job", apptest.OpeningJob),
		do(ref, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, job.ID)),
	); err != nil {
		return nil, err
	}
	p := &pair{ref: ref}
	for _, end := range []**websocket.Conn{&p.from, &p.to} {
		d := websocket.Dialer{Subprotocols: []string{wire.Subprotocol}, ReadBufferSize: 2048, WriteBufferSize: 1024}
		ws, _, err := d.DialContext(ctx, s.url, nil)
		if err != nil {
			return nil, err
		}
		*end = ws
		if err := ws.WriteJSON(map[string]any{"say": "hello", "protocol": 1, "client": "bench/1", "token": token}); err != nil {
			return nil, err
		}
	}
	if err := p.to.WriteJSON(map[string]any{"say": "follow", "stream": ref, "after": 1}); err != nil {
		return nil, err
	}
	return p, errors.Join(p.until(p.from, "welcome"), p.until(p.to, "caught-up"))
}

// message gives a command and returns once it is accepted and its entry has come to the other socket.
func (p *pair) message() error {
	frame := fmt.Appendf(nil, `{"say":"command","stream":{"kind":%q,"id":%q},"command":{"id":%q,"base":1,"type":"note","data":{"text":%q}}}`,
		p.ref.Kind, p.ref.ID, stream.NewID(), note)
	if err := p.from.WriteMessage(websocket.TextMessage, frame); err != nil {
		return err
	}
	return errors.Join(p.until(p.from, "accepted"), p.until(p.to, "entry"))
}

// until reads messages until one says so. Every message of the server begins with what it says.
func (p *pair) until(ws *websocket.Conn, say string) error {
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

// hammer lets every pair pass messages, the next when the one before has come.
func (s *side) hammer(t *testing.T, each time.Duration) (int64, time.Duration) {
	var done atomic.Int64
	var wg sync.WaitGroup
	begin := time.Now()
	for _, p := range s.pairs {
		wg.Go(func() {
			for time.Since(begin) < each {
				if err := p.message(); err != nil {
					t.Error(err)
					return
				}
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return done.Load(), time.Since(begin)
}
