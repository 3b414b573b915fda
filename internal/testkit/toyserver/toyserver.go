// Package toyserver is the live side of a server in one process, for tests of what talks to it: the real hub over a
// store in memory, real tokens and real websockets, with toy rules. Nothing in it is a stand-in but the rules and the
// store.
package toyserver

import (
	"context"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/account"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/token"
	"readback/internal/trail"
	"readback/internal/wsconn"
)

// Cookie is the name of the cookie that carries an access token.
const Cookie = "toy"

// Server is one organisation with two members, and the live server it uses.
type Server struct {
	Store    *memstore.Store
	Hub      *live.Hub
	Tokens   *token.Tokens
	Sessions *account.Sessions // kept in memory
	Sockets  *wsconn.Server
	Org      stream.ID
	Ann      stream.ID // a technician
	Ben      stream.ID // another
	Log      *Log      // what was logged at level Warn and above

	t testing.TB
}

// OnDurable sets what the store calls between making an entry durable and saying so to the hub.
func (s *Server) OnDurable(f func(live.Append)) {
	s.Store.Hook(memstore.Hooks{After: func(_ context.Context, a live.Append, _ live.Outcome) error {
		f(a)
		return nil
	}})
}

// Options are what tests change. The zero value is fine.
type Options struct {
	Limits wsconn.Limits
	Hub    func(*live.Config)
	Lasts  time.Duration // of access tokens; an hour
}

// New starts a server. Stop, or the end of the test, stops it.
func New(t testing.TB, o Options) *Server {
	t.Helper()
	if o.Lasts == 0 {
		o.Lasts = time.Hour
	}
	s := &Server{t: t, Store: memstore.New(), Org: stream.NewID(), Ann: stream.NewID(), Ben: stream.NewID(), Log: &Log{}}
	wrap, err := trail.WrappingKeyFrom([]byte(strings.Repeat("w", trail.KeySize)))
	require.NoError(t, err)
	log := slog.New(slog.NewTextHandler(s.Log, &slog.HandlerOptions{Level: slog.LevelWarn}))
	cfg := live.Config{
		Store: s.Store, Keys: wrap, Log: log,
		Rules: map[stream.Kind]stream.Rules{
			stream.Register:    Rules{stream.Register, "open-organisation"},
			stream.Job:         Rules{stream.Job, "open-job"},
			stream.Calibration: Rules{stream.Calibration, "open"},
		},
	}
	if o.Hub != nil {
		o.Hub(&cfg)
	}
	s.Hub = live.New(cfg)
	s.Tokens, err = token.New(token.Config{
		Issuer: "https://toy.example", Audience: "readback", Keys: []token.Key{{Private: ed25519.NewKeyFromSeed([]byte(strings.Repeat("s", 32)))}},
		Lasts: o.Lasts, Now: time.Now,
	})
	require.NoError(t, err)
	s.Sessions = account.NewSessions(account.SessionsConfig{
		Store: memstore.NewSessions(), Tokens: s.Tokens, Idle: 12 * time.Hour, AtMost: 24 * time.Hour, Lasts: o.Lasts,
		Member: func(ctx context.Context, org, member stream.ID) error {
			_, err := s.Hub.Actor(ctx, org, member)
			return err
		},
	})
	s.Sockets = wsconn.New(wsconn.Config{Hub: s.Hub, Check: s.Sessions.Check, Still: s.Sessions.Still, Cookie: Cookie, Limits: o.Limits, Log: log})
	s.Sessions.OnEnd(s.Sockets.CloseSession)

	s.register(Command("open-organisation",
		map[string]any{"members": map[stream.ID]stream.Role{s.Ann: stream.Technician, s.Ben: stream.Technician}}))
	return s
}

// Retire makes a member none.
func (s *Server) Retire(member stream.ID) {
	s.t.Helper()
	s.register(Command("retire-member", map[string]any{"member": member}))
}

func (s *Server) register(cmd stream.Command) {
	s.t.Helper()
	s.do(stream.Actor{Member: s.Org, Org: s.Org, Roles: []stream.Role{stream.System}}, stream.Ref{Kind: stream.Register, ID: s.Org}, cmd)
}

// Stop stops sockets and hub in the order a server does.
func (s *Server) Stop(ctx context.Context) error {
	if err := s.Sockets.Shutdown(ctx); err != nil {
		return fmt.Errorf("sockets: %w", err)
	}
	return s.Hub.Shutdown(ctx)
}

// Command makes a command with an id of its own that has seen nothing.
func Command(typ string, data any) stream.Command {
	raw, err := json.Marshal(data)
	if err != nil {
		panic(err)
	}
	return stream.Command{ID: stream.NewID(), Type: typ, Data: raw}
}

// Note is a note with a number.
func Note(text string, n int) stream.Command {
	return Command("note", map[string]any{"text": text, "n": n})
}

// Actor is a member as the register has it.
func (s *Server) Actor(member stream.ID) stream.Actor {
	s.t.Helper()
	a, err := s.Hub.Actor(s.t.Context(), s.Org, member)
	require.NoError(s.t, err)
	return a
}

// Token is an access token for a member.
func (s *Server) Token(member stream.ID) string {
	s.t.Helper()
	text, _, err := s.Tokens.Issue(s.Org, member, stream.NewID())
	require.NoError(s.t, err)
	return text
}

// SignIn begins a session of a member.
func (s *Server) SignIn(member stream.ID) account.Pair {
	s.t.Helper()
	got, err := s.Sessions.Open(s.t.Context(), account.Account{Member: member, Org: s.Org}, netip.Addr{}, "test")
	require.NoError(s.t, err)
	return got
}

// Open makes a calibration with so many notes in it.
func (s *Server) Open(notes int) stream.Ref {
	s.t.Helper()
	ref := stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
	s.Do(s.Ann, ref, Command("open", map[string]any{"org": s.Org}))
	for i := range notes {
		s.Do(s.Ann, ref, Note("kept", i+1))
	}
	return ref
}

// Do gives a command past the sockets.
func (s *Server) Do(member stream.ID, ref stream.Ref, cmd stream.Command) live.Receipt {
	s.t.Helper()
	return s.do(s.Actor(member), ref, cmd)
}

func (s *Server) do(actor stream.Actor, ref stream.Ref, cmd stream.Command) live.Receipt {
	s.t.Helper()
	got, err := s.Hub.Do(s.t.Context(), actor, ref, cmd)
	require.NoError(s.t, err)
	return got
}
