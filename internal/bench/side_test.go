package bench

import (
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

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/app"
	"readback/internal/live"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/token"
	"readback/internal/trail"
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
	s.url = server.URL
	t.Cleanup(func() {
		ctx := context.WithoutCancel(t.Context())
		var leaving sync.WaitGroup
		for _, p := range s.pairs {
			if p != nil { // it could not be made
				leaving.Go(p.close)
			}
		}
		leaving.Wait()
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

// member is the technician, with an access token.
func (s *side) member(t testing.TB) (stream.Actor, string) {
	t.Helper()
	in, member := shop(t)
	who, err := s.hub.Actor(t.Context(), in.Organisation, member)
	require.NoError(t, err)
	text, _, err := s.tokens.Issue(in.Organisation, member, stream.NewID())
	require.NoError(t, err)
	return who, text
}

// pair is two connections: one gives commands to a calibration, the other follows it.
type pair struct {
	from, to *client.Live
	follows  *client.Following
	ref      client.Ref
}

// connect opens so many calibrations with a pair of connections each.
func (s *side) connect(t testing.TB, pairs int) {
	t.Helper()
	who, text := s.member(t)
	s.pairs = make([]*pair, pairs)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range 32 {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < pairs; i = int(next.Add(1)) - 1 {
				ref, err := s.calibration(t.Context(), who)
				var p *pair
				if err == nil {
					p, err = s.pair(t.Context(), ref, text)
				}
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

// calibration opens one, of a job of its own.
func (s *side) calibration(ctx context.Context, who stream.Actor) (stream.Ref, error) {
	do := func(ref stream.Ref, typ, data string) error {
		_, err := s.hub.Do(ctx, who, ref, stream.Command{ID: stream.NewID(), Type: typ, Data: json.RawMessage(data)})
		return err
	}
	job, ref := stream.Ref{Kind: stream.Job, ID: stream.NewID()}, stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}
	if err := errors.Join(
		do(job, "open-job", apptest.OpeningJob),
		do(ref, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, job.ID)),
	); err != nil {
		return ref, err
	}
	return ref, nil
}

// pair connects two of a calibration's own.
func (s *side) pair(ctx context.Context, ref stream.Ref, token string) (*pair, error) {
	c, err := client.New(client.Config{URL: s.url, Name: "bench/1"})
	if err != nil {
		return nil, err
	}
	c.Use(token)
	p := &pair{ref: client.Ref{Kind: string(ref.Kind), ID: ref.ID.String()}}
	if p.from, err = c.Connect(ctx); err != nil {
		return nil, err
	}
	if p.to, err = c.Connect(ctx); err != nil {
		p.from.Close()
		return nil, err
	}
	if p.follows, err = p.to.Follow(p.ref, 1); err == nil {
		err = p.caughtUp(ctx)
	}
	if err != nil {
		p.close()
		return nil, err
	}
	return p, nil
}

// caughtUp waits until the server has sent all of the past, of which there is one entry.
func (p *pair) caughtUp(ctx context.Context) error {
	for {
		changed := p.follows.Changed()
		if p.follows.Head() > 0 {
			return nil
		}
		select {
		case <-changed:
		case <-p.to.Done():
			return p.to.Err()
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (p *pair) close() {
	p.from.Close()
	p.to.Close()
}

// message gives a command and returns once it is accepted and its entry has come to the other connection.
func (p *pair) message(ctx context.Context) error {
	accepted, err := p.from.Do(ctx, p.ref, client.Command{Base: 1, Type: "note", Data: noted{note}})
	if err != nil {
		return err
	}
	came, err := p.follows.Next(ctx)
	if err == nil && came.Seq != accepted.Seq {
		err = fmt.Errorf("entry %d came where %d was accepted", came.Seq, accepted.Seq)
	}
	return err
}

// noted is what the command says.
type noted struct {
	Text string `json:"text"`
}

// hammer lets every pair pass messages, the next when the one before has come.
func (s *side) hammer(t *testing.T, each time.Duration) (int64, time.Duration) {
	var done atomic.Int64
	var wg sync.WaitGroup
	begin := time.Now()
	for _, p := range s.pairs {
		wg.Go(func() {
			for time.Since(begin) < each {
				if err := p.message(t.Context()); err != nil {
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
