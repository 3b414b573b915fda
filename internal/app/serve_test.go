package app_test

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
	"readback/internal/wire"
)

// TestLive lets a shop and a desk work over one socket each, the shop's with a token and the desk's with a cookie.
func TestLive(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)

	bay := connect(t, s, tech.Token, nil)
	require.Equal(t, tech.Access.Member.String(), bay.want("welcome").Member)
	cookie := http.Header{"Cookie": {httpapi.Cookie + "=" + spec.Token}}
	foreign := cookie.Clone()
	foreign.Set("Origin", "https://elsewhere.example")
	_, refused, err := dial(s, foreign)
	require.Error(t, err)
	require.Equal(t, http.StatusForbidden, refused.StatusCode)
	require.Equal(t, "application/problem+json", refused.Header.Get("Content-Type"))
	cookie.Set("Origin", s.URL)
	desk := connect(t, s, "", cookie)
	require.Equal(t, spec.Access.Member.String(), desk.want("welcome").Member)

	desk.follow(cal.Ref, 0)
	require.Equal(t, "/problems/not-found", desk.want("refused").Problem.Type, "before the request there is nothing for a desk")
	bay.follow(cal.Ref, 0)
	require.Equal(t, uint64(1), bay.want("entry").Seq)
	tech.Request(cal) // by HTTP; the socket hears of it
	for seq := uint64(2); seq <= cal.Seq; seq++ {
		require.Equal(t, seq, bay.want("entry").Seq)
	}

	desk.follow(cal.Ref, cal.Seq-1)
	require.Equal(t, cal.Seq, desk.want("entry").Seq)
	claim := stream.NewID()
	desk.command(cal.Ref, claim, cal.Seq, "claim", `{}`)
	first, second := desk.next2(), bay.want("entry")
	require.Equal(t, claim.String(), first["accepted"].Command)
	require.Equal(t, cal.Seq+1, first["accepted"].Seq)
	require.Equal(t, first["entry"].Hash, first["accepted"].Hash)
	require.Equal(t, first["entry"].Hash, second.Hash, "both see the same entry")
	require.JSONEq(t, string(first["entry"].Body), string(second.Body))
	require.Equal(t, "claimed", first["accepted"].Type)

	bay.command(cal.Ref, stream.NewID(), cal.Seq, "request", `{}`)
	require.Equal(t, "/problems/wrong-phase", bay.want("refused").Problem.Type)
	require.NoError(t, bay.ws.WriteMessage(1, []byte(`{"say":"sing"}`)))
	require.Equal(t, "/problems/unknown-type", bay.want("refused").Problem.Type)
	bay.command(cal.Ref, stream.NewID(), cal.Seq+1, "note", `{"text":"Still here."}`)
	require.Equal(t, cal.Seq+2, bay.next2()["entry"].Seq, "a refusal harms no connection")
	require.Equal(t, cal.Seq+2, desk.want("entry").Seq)

	// Signing out closes the sockets of that token and no others.
	require.Equal(t, http.StatusNoContent, tech.Post("/v1/sign-out", "").Status)
	require.Equal(t, wire.CloseSignedOut, bay.closed())
	desk.command(cal.Ref, stream.NewID(), cal.Seq+2, "note", `{"text":"And I."}`)
	require.Equal(t, cal.Seq+3, desk.next2()["accepted"].Seq)
}

// next2 gives the answer to a command and its entry, in whatever order they come.
func (p *socket) next2() map[string]message {
	p.t.Helper()
	got := map[string]message{}
	for range 2 {
		m, err := p.next()
		require.NoError(p.t, err)
		got[m.Say] = m
	}
	require.Contains(p.t, got, "accepted")
	require.Contains(p.t, got, "entry")
	return got
}

// TestStopLosesNothing stops the server while commands are on their way by both doors. Whatever was accepted is there
// once after the start that follows, whatever was not answered is accepted then or had been, and nothing else is there.
func TestStopLosesNothing(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)

	type sent struct {
		ref  stream.Ref
		base uint64
		hash string // "" if not accepted
	}
	const lines = 4
	var (
		mu       sync.Mutex
		commands = map[stream.ID]sent{}
		began    sync.WaitGroup // each line has had an answer
		workers  sync.WaitGroup
		jobs     []*apptest.Stream
	)
	note := func(job *apptest.Stream) (stream.ID, string) {
		id := stream.NewID()
		mu.Lock()
		defer mu.Unlock()
		commands[id] = sent{ref: job.Ref, base: job.Seq}
		return id, `{"text":"x"}`
	}
	accept := func(id stream.ID, hash string) {
		mu.Lock()
		defer mu.Unlock()
		c := commands[id]
		c.hash = hash
		commands[id] = c
	}
	for i := range 2 * lines {
		job := tech.OpenJob()
		jobs = append(jobs, job)
		began.Add(1)
		begin := sync.OnceFunc(began.Done)
		send := overHTTP(tech, s.URL)
		if i%2 == 0 {
			send = overSocket(connect(t, s, tech.Token, nil))
		}
		workers.Go(func() {
			defer begin()
			for {
				id, data := note(job)
				hash, err := send(job, apptest.Body(id, job.Seq, "note", data))
				if err != nil {
					t.Error(err)
				}
				if hash == "" {
					return
				}
				accept(id, hash)
				job.Seq++
				begin()
			}
		})
	}
	idle := connect(t, s, tech.Token, nil)
	idle.want("welcome")
	var end error
	workers.Go(func() { _, end = idle.next() })
	began.Wait()
	require.NoError(t, s.Stop())
	workers.Wait()
	require.True(t, websocket.IsCloseError(end, int(wire.CloseLeaving)), "%v", end)
	require.True(t, wire.CloseLeaving.Resumes())

	s = s.Again()
	tech = s.As(apptest.Technician)
	accepted := 0
	for id, c := range commands {
		if c.hash == "" { // no answer: ask again
			got := tech.Post((&apptest.Stream{Ref: c.ref}).Path()+"/commands", apptest.Body(id, c.base, "note", `{"text":"x"}`))
			require.Equal(t, http.StatusOK, got.Status, got.Body)
			c.hash = apptest.Read[apptest.Receipt](tech, got).Hash
			commands[id] = c
		} else {
			accepted++
		}
	}
	require.GreaterOrEqual(t, accepted, 2*lines)
	found := map[stream.ID]string{}
	for _, job := range jobs {
		page := apptest.Read[struct {
			Entries []struct {
				Hash string
				Body struct{ Command struct{ ID stream.ID } }
			}
		}](tech, tech.Get(job.Path()+"/entries?after=2&limit=1000"))
		for _, e := range page.Entries {
			require.NotContains(t, found, e.Body.Command.ID, "twice in the trail")
			found[e.Body.Command.ID] = e.Hash
		}
	}
	require.Len(t, found, len(commands))
	for id, c := range commands {
		require.Equal(t, c.hash, found[id])
	}
}

// sender gives a command and returns the hash of its entry; "" with no error when the server takes no more.
type sender func(on *apptest.Stream, body string) (hash string, err error)

func overSocket(p *socket) sender {
	p.want("welcome")
	return func(on *apptest.Stream, body string) (string, error) {
		if p.ws.WriteJSON(map[string]any{"say": "command", "stream": on.Ref, "command": json.RawMessage(body)}) != nil {
			return "", nil
		}
		m, err := p.next()
		switch {
		case websocket.IsCloseError(err, int(wire.CloseLeaving)):
			return "", nil
		case err != nil:
			return "", err
		case m.Say == "accepted":
			return m.Hash, nil
		case m.Problem.Type != "/problems/not-ready":
			return "", fmt.Errorf("refused: %+v", m)
		}
		return "", nil
	}
}

func overHTTP(who *apptest.Client, url string) sender {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	return func(on *apptest.Stream, body string) (string, error) {
		req, err := http.NewRequest("POST", url+on.Path()+"/commands", strings.NewReader(body))
		if err != nil {
			return "", err
		}
		req.Header = http.Header{"Authorization": {"Bearer " + who.Token}, "Content-Type": {"application/json"}}
		got, err := client.Do(req)
		if err != nil {
			return "", nil // not taken any more
		}
		defer got.Body.Close()
		if got.StatusCode == http.StatusServiceUnavailable {
			return "", nil
		}
		var r apptest.Receipt
		if err := json.NewDecoder(got.Body).Decode(&r); err != nil || got.StatusCode != http.StatusOK {
			return "", fmt.Errorf("status %d: %w", got.StatusCode, err)
		}
		return r.Hash, nil
	}
}

// TestPrivateCluster runs without a given database: keys and cluster are made, verification reads beside the server and
// by itself, and makes nothing where there is nothing.
func TestPrivateCluster(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("", "readback-app-*")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	require.NoError(t, os.Chmod(dir, 0o755)) // the account of a cluster of root's must pass
	cfg := config.Config{StateDir: filepath.Join(dir, "state"), KeyFile: filepath.Join(dir, "state", "keys"), Listen: "127.0.0.1:0", SignInLasts: time.Hour}
	quiet := slog.New(slog.DiscardHandler)

	_, err = app.VerifyDatabase(t.Context(), cfg, quiet)
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.NoDirExists(t, cfg.StateDir, "to verify must make nothing")

	raw, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata/import/desk.json"))
	require.NoError(t, err)
	done, err := app.Init(t.Context(), cfg, quiet, []app.Document{{File: "desk.json", Raw: raw}})
	require.NoError(t, err)
	require.Equal(t, 2, done[0].Accounts)
	info, err := os.Stat(cfg.KeyFile)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	alone, err := app.VerifyDatabase(t.Context(), cfg, quiet)
	require.NoError(t, err)
	require.True(t, alone.Proven(), alone)
	require.Len(t, alone.Streams, 1)
	require.NotZero(t, alone.Sealed.Opened)
	require.Zero(t, alone.Sealed.Closed)

	back := make(hearing, 10)
	s := apptest.ServeLogging(t, cfg, back)
	require.Equal(t, http.StatusOK, s.Nobody().Get("/readyz").Status, "announced means ready")
	beside, err := app.VerifyDatabase(t.Context(), cfg, quiet)
	require.NoError(t, err)
	require.Equal(t, alone, beside)
	require.Equal(t, http.StatusOK, s.Nobody().Get("/readyz").Status, "the server's cluster must be left alone")
	_, err = app.Init(t.Context(), cfg, quiet, []app.Document{{File: "desk.json", Raw: raw}})
	require.True(t, fault.Is(err, fault.NoDatabase), "%v", err)
	require.ErrorContains(t, err, "already runs the database")

	// A database that dies is started again; a command on its way meanwhile waits for it, or is told to come again.
	in := s.Nobody().Post("/v1/sign-in", `{"login":"otto@desk.example","password":"demo desk owner"}`)
	require.Equal(t, http.StatusOK, in.Status, in.Body)
	owner := s.Nobody().With("Authorization", "Bearer "+apptest.Read[struct{ Token string }](s.Nobody(), in).Token)
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: done[0].ID}, Seq: 5}
	kill := func() { require.NoError(t, syscall.Kill(postmaster(t, cfg.StateDir), syscall.SIGKILL)) }
	for i := range 4 {
		kill()
		add := apptest.Body(stream.NewID(), register.Seq, "add-bay", fmt.Sprintf(`{"id":%q,"name":"Bay %d"}`, stream.NewID(), i))
		got := owner.Post(register.Path()+"/commands", add)
		select {
		case <-back:
		case <-time.After(time.Minute):
			require.Fail(t, "the private database does not come back")
		}
		if got.Status == http.StatusServiceUnavailable { // it took longer than commands wait: the same again
			got = owner.Post(register.Path()+"/commands", add)
		}
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		register.Seq++
	}
	kill()
	require.ErrorContains(t, s.Ended(), "ended by itself 5 times within 5m0s")

	// Entries without their key file would be lost for reading, and a new one must not hide that.
	require.NoError(t, os.Rename(cfg.KeyFile, cfg.KeyFile+".away"))
	_, err = app.Init(t.Context(), cfg, quiet, []app.Document{{File: "desk.json", Raw: raw}})
	require.ErrorContains(t, err, "put back the key file")
	require.NoFileExists(t, cfg.KeyFile)
	closed, err := app.VerifyDatabase(t.Context(), cfg, quiet)
	require.NoError(t, err)
	require.True(t, closed.Proven(), "hashes cover what stays closed")
	require.GreaterOrEqual(t, closed.Sealed.Closed, alone.Sealed.Opened)
	require.Zero(t, closed.Sealed.Opened)
}

// hearing is a log that tells each time a private database is back.
type hearing chan struct{}

func (h hearing) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelInfo }
func (h hearing) WithAttrs([]slog.Attr) slog.Handler               { return h }
func (h hearing) WithGroup(string) slog.Handler                    { return h }
func (h hearing) Handle(_ context.Context, r slog.Record) error {
	if r.Message == "the private database is back" {
		h <- struct{}{}
	}
	return nil
}

// postmaster is the process id of the cluster's server: the first line of its lock file.
func postmaster(t *testing.T, stateDir string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(stateDir, "postgres/data/postmaster.pid"))
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	require.NoError(t, err)
	return pid
}

// TestTLS serves over TLS when it has a certificate, and refuses one that is none.
func TestTLS(t *testing.T) {
	t.Parallel()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bay.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	dir := t.TempDir()
	cert, priv := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	require.NoError(t, os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(priv, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600))

	cfg := config.Config{DatabaseURL: pgtest.Database(t), KeyFile: apptest.KeyFile(), TLSCert: cert, TLSKey: priv}
	s := apptest.Serve(t, cfg)
	require.Regexp(t, "^https://", s.URL)
	roots := x509.NewCertPool()
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	roots.AddCert(parsed)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}}}
	defer client.CloseIdleConnections()
	got, err := client.Get(s.URL + "/readyz")
	require.NoError(t, err)
	got.Body.Close()
	require.Equal(t, http.StatusOK, got.StatusCode)

	cfg.TLSKey, cfg.Listen = cert, "127.0.0.1:0"
	err = app.Serve(t.Context(), cfg, slog.New(slog.DiscardHandler), "test", func(string) {})
	require.True(t, fault.Is(err, fault.InvalidInput), "%v", err)
	require.ErrorContains(t, err, "READBACK_TLS_CERT")
}

// TestPortInUse: nothing is started or made for a server that cannot listen.
func TestPortInUse(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	state := filepath.Join(t.TempDir(), "state")
	err = app.Serve(t.Context(), config.Config{StateDir: state, KeyFile: state + "/keys", Listen: l.Addr().String(), SignInLasts: time.Hour},
		slog.New(slog.DiscardHandler), "test", func(string) { t.Error("announced") })
	require.ErrorIs(t, err, syscall.EADDRINUSE)
	require.Equal(t, "READBACK_LISTEN", fault.Of(err).Fields[0].Name)
	require.NoDirExists(t, state)
}
