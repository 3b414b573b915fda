// Package apptest serves the whole program to a test: the wiring of package app over a real PostgreSQL (package pgtest)
// and a real listener, with an invented world in it: the shop and the desk of testdata/import, which have an agreement,
// and a second shop that has nothing to do with either.
//
//	func TestMain(m *testing.M) { goleak.VerifyTestMain(apptest.Wrap(m)) }
//
//	func TestSomething(t *testing.T) {
//		s := apptest.Start(t)
//		got := s.As("tamsin@north.example").Get("/v1/me")
//
// The world is set up once, in the template that every test's database is a copy of. Servers may run side by side.
package apptest

import (
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/argon2"

	"readback/internal/app"
	"readback/internal/config"
	"readback/internal/keyfile"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/token"
)

// Sign-in names of the world's people.
const (
	Technician      = "tamsin@north.example"
	ShopOwner       = "odile@north.example"
	Specialist      = "ines@desk.example"
	DeskOwner       = "otto@desk.example"
	OtherTechnician = "tamsin@south.example"
	OtherOwner      = "odile@south.example"
)

// Version is what the servers say they are.
const Version = "test"

// Wrap returns a Runner that runs the tests with databases that have the world in them.
func Wrap(m pgtest.Runner) pgtest.Runner { return pgtest.Wrap(keyed{m}, setUp) }

// keyFile is the one of all tests of the process, made by keyed.
var keyFile string

// KeyFile is the key file that opens the template's keys.
func KeyFile() string { return keyFile }

// keyed runs tests with a place for the key file.
type keyed struct{ tests pgtest.Runner }

func (k keyed) Run() int {
	dir, err := os.MkdirTemp("", "readback-apptest-*")
	if err != nil {
		fmt.Fprintln(os.Stderr, "apptest:", err)
		return 1
	}
	defer os.RemoveAll(dir)
	keyFile = filepath.Join(dir, "keys")
	return k.tests.Run()
}

// setUp makes the world in the template.
func setUp(ctx context.Context, url string) error {
	cfg := config.Config{DatabaseURL: url, KeyFile: keyFile}
	if _, err := app.Migrate(ctx, cfg, ""); err != nil {
		return err
	}
	docs, err := documents()
	if err != nil {
		return err
	}
	if _, err = app.Init(ctx, cfg, slog.New(slog.DiscardHandler), docs); err != nil {
		return err
	}
	return cheapen(ctx, url, docs)
}

// cheapen keeps the passwords of the world at the lowest cost there is: tests sign in hundreds of times, and what a real
// hash costs is no part of what they look at. Passwords that a test sets cost what they cost everywhere.
func cheapen(ctx context.Context, url string, docs []app.Document) error {
	const memoryKiB, salt = 8, "somesalt"
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	b64 := base64.RawStdEncoding
	for _, doc := range docs {
		var org struct {
			Members []struct {
				SignIn struct{ Login, Password string } `json:"sign_in"`
			}
		}
		if err := json.Unmarshal(doc.Raw, &org); err != nil {
			return err
		}
		for _, m := range org.Members {
			sum := argon2.IDKey([]byte(m.SignIn.Password), []byte(salt), 1, memoryKiB, 1, 32)
			hash := fmt.Sprintf("$argon2id$v=%d$m=%d,t=1,p=1$%s$%s", argon2.Version, memoryKiB, b64.EncodeToString([]byte(salt)), b64.EncodeToString(sum))
			if _, err := conn.Exec(ctx, "update readback.account set password_hash = $1 where login = $2", hash, m.SignIn.Login); err != nil {
				return err
			}
		}
	}
	return nil
}

func documents() ([]app.Document, error) {
	var docs []app.Document
	for _, name := range []string{"shop.json", "desk.json"} {
		raw, err := os.ReadFile(filepath.Join(Root(), "testdata", "import", name))
		if err != nil {
			return nil, err
		}
		docs = append(docs, app.Document{File: name, Raw: raw})
	}
	// The second shop: other ids, other names to sign in with, no agreement.
	other := strings.NewReplacer("-0000000000", "-0000000001", "north.example", "south.example", "Workshop North", "Workshop South").
		Replace(string(docs[0].Raw))
	before, _, found := strings.Cut(other, `"agreements"`)
	if !found {
		return nil, errors.New("apptest: shop.json does not end with its agreements")
	}
	return append(docs, app.Document{File: "second shop", Raw: []byte(strings.TrimRight(before, ", \n") + "\n}\n")}), nil
}

// Root is the top of the checkout.
func Root() string {
	dir, err := os.Getwd()
	if err != nil {
		panic(err)
	}
	for dir != "/" {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		dir = filepath.Dir(dir)
	}
	panic("apptest: not in a checkout")
}

// Server is the program, serving.
type Server struct {
	URL    string // without the last slash
	Config config.Config

	t      testing.TB
	log    *slog.Logger
	keys   *keyfile.Keys
	people map[string]token.Access // by sign-in name; without ids
	http   *http.Client
	stop   context.CancelFunc
	ended  chan error // holds one
	said   error
}

// Start serves a copy of the world.
func Start(t testing.TB) *Server {
	t.Helper()
	return Serve(t, Config(pgtest.Database(t)))
}

// Config is how Start serves a copy of the world that is at url.
func Config(url string) config.Config { return config.Config{DatabaseURL: url, KeyFile: keyFile} }

// Serve serves with the settings; the address is chosen here. The server is stopped after the test.
func Serve(t testing.TB, cfg config.Config) *Server {
	t.Helper()
	return ServeLogging(t, cfg, slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError}))
}

// ServeLogging is Serve with a log of the test's own.
func ServeLogging(t testing.TB, cfg config.Config, log slog.Handler) *Server {
	t.Helper()
	cfg.Listen = "127.0.0.1:0"
	if cfg.SignInLasts == 0 {
		cfg.SignInLasts = time.Hour
	}
	s := &Server{t: t, Config: cfg, log: slog.New(log), http: &http.Client{
		Transport:     &http.Transport{DialContext: (&net.Dialer{}).DialContext},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	s.run()
	return s
}

func (s *Server) run() {
	s.t.Helper()
	ctx, stop := context.WithCancel(context.WithoutCancel(s.t.Context()))
	s.stop, s.ended = stop, make(chan error, 1)
	at := make(chan string, 1)
	go func() {
		s.ended <- app.Serve(ctx, s.Config, s.log, Version, func(url string) { at <- url })
	}()
	select {
	case url := <-at:
		s.URL = strings.TrimSuffix(url, "/")
	case err := <-s.ended:
		require.NoError(s.t, err)
		s.t.Fatal("apptest: the server ended before it began")
	}
	s.t.Cleanup(func() { require.NoError(s.t, s.Stop()) })
	var err error
	s.keys, err = keyfile.Open(s.Config.KeyFile)
	require.NoError(s.t, err)
}

// Stop stops the server as a signal does, and returns what it ended with. It may be called again.
func (s *Server) Stop() error {
	if s.stop != nil {
		s.stop()
		s.said = <-s.ended
		s.stop = nil
		s.http.CloseIdleConnections()
	}
	return s.said
}

// Ended waits for a server to end by itself, and returns with what.
func (s *Server) Ended() error {
	err := <-s.ended
	s.stop()
	s.stop = nil
	s.http.CloseIdleConnections()
	return err
}

// Again serves the same database anew, at another address.
func (s *Server) Again() *Server {
	s.t.Helper()
	require.NoError(s.t, s.Stop())
	return Serve(s.t, s.Config)
}

// TrailKey is the verifier key of what the server signs.
func (s *Server) TrailKey() string { return s.keys.VerifierKey() }

// Signs is the private key of access tokens, for tests that forge some.
func (s *Server) Signs() ed25519.PrivateKey { return s.keys.Tokens()[0].Key }

// Tokens issues as the server does, at a time of the caller's choice.
func (s *Server) Tokens(now time.Time, lasts time.Duration) *token.Tokens {
	s.t.Helper()
	tokens, err := token.New(token.Config{
		Issuer: s.keys.Signer().Name(), Audience: "readback", Keys: []token.Key{{Private: s.Signs()}}, Lasts: lasts,
		Now: func() time.Time { return now },
	})
	require.NoError(s.t, err)
	return tokens
}

// As gives a person of the world a client with a token, without the cost of checking a password.
func (s *Server) As(login string) *Client {
	s.t.Helper()
	c := s.Member(s.Person(login))
	c.Login = login
	return c
}

// Member gives a member of any register such a client, whether they have an account or not.
func (s *Server) Member(who token.Access) *Client {
	s.t.Helper()
	text, access, err := s.Tokens(time.Now(), time.Hour).Issue(who.Org, who.Member, stream.NewID())
	require.NoError(s.t, err)
	return &Client{Access: access, Token: text, Header: http.Header{"Authorization": {"Bearer " + text}}, s: s}
}

// Device adds a vehicle interface to the register of the owner's organisation and gives a client with its token.
func (s *Server) Device(owner *Client, name string) (*Client, stream.ID) {
	s.t.Helper()
	id, register := stream.NewID(), &Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "add-interface", fmt.Sprintf(`{"id":%q,"name":%q}`, id, name))
	return s.Token(owner, id), id
}

// Gateway adds an instrument gateway to the register of the owner's organisation and gives a client with its token.
func (s *Server) Gateway(owner *Client, name, bay string, instruments ...string) (*Client, stream.ID) {
	s.t.Helper()
	id, register := stream.NewID(), &Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "add-interface", fmt.Sprintf(`{"id":%q,"name":%q,"bay":%q,"instruments":["%s"]}`, id, name, bay, strings.Join(instruments, `","`)))
	return s.Token(owner, id), id
}

// Token has a token made for the interface and gives a client with it.
func (s *Server) Token(owner *Client, id stream.ID) *Client {
	s.t.Helper()
	got := owner.Post("/v1/interfaces/"+id.String()+"/token", "")
	require.Equal(s.t, http.StatusOK, got.Status, got.Body)
	text := Read[struct{ Token string }](owner, got).Token
	return &Client{Token: text, Header: http.Header{"Authorization": {"Bearer " + text}}, s: s}
}

// Nobody is a client that has not signed in.
func (s *Server) Nobody() *Client { return &Client{Header: http.Header{}, s: s} }

// Person says who signs in with the name.
func (s *Server) Person(login string) token.Access {
	s.t.Helper()
	if s.people == nil {
		s.people = map[string]token.Access{}
		rows, err := s.SQL().Query(s.t.Context(), "select login, member::text, org::text from readback.account")
		require.NoError(s.t, err)
		for rows.Next() {
			var login, member, org string
			require.NoError(s.t, rows.Scan(&login, &member, &org))
			s.people[login] = token.Access{Member: id(s.t, member), Org: id(s.t, org)}
		}
		require.NoError(s.t, rows.Err())
	}
	who, ok := s.people[login]
	require.True(s.t, ok, login)
	return who
}

func id(t testing.TB, text string) stream.ID {
	t.Helper()
	got, err := stream.ParseID("id", text)
	require.NoError(t, err)
	return got
}

// SQL is a superuser's session in the server's database. It lasts as long as the test.
func (s *Server) SQL() *pgx.Conn {
	s.t.Helper()
	conn, err := pgx.Connect(s.t.Context(), s.Config.DatabaseURL)
	require.NoError(s.t, err)
	s.t.Cleanup(func() { conn.Close(context.WithoutCancel(s.t.Context())) })
	return conn
}

// CutDatabase takes the database away under the server: nobody may connect, and who is connected is thrown out. It is
// given back when the test ends.
func (s *Server) CutDatabase() {
	s.t.Helper()
	cfg, err := pgx.ParseConfig(s.Config.DatabaseURL)
	require.NoError(s.t, err)
	name := pgx.Identifier{cfg.Database}.Sanitize()
	cut := cfg.Database
	cfg.Database = "postgres"
	admin, err := pgx.ConnectConfig(s.t.Context(), cfg)
	require.NoError(s.t, err)
	s.t.Cleanup(func() {
		ctx := context.WithoutCancel(s.t.Context())
		_, err := admin.Exec(ctx, "alter database "+name+" with allow_connections true")
		require.NoError(s.t, err)
		require.NoError(s.t, admin.Close(ctx))
	})
	_, err = admin.Exec(s.t.Context(), "alter database "+name+" with allow_connections false")
	require.NoError(s.t, err)
	_, err = admin.Exec(s.t.Context(), "select pg_terminate_backend(pid, 10000) from pg_stat_activity where datname = $1", cut)
	require.NoError(s.t, err)
}

// Stored is everything that is in the database, as one text: two that are equal mean that nothing was written between.
func (s *Server) Stored() string {
	s.t.Helper()
	conn := s.SQL()
	defer conn.Close(s.t.Context())
	var all string
	err := conn.QueryRow(s.t.Context(), `
		select concat_ws(E'\n',
			(select string_agg(e::text, E'\n' order by stream, seq) from readback.entry e),
			(select string_agg(h::text, E'\n' order by stream) from readback.head h),
			(select string_agg(r::text, E'\n' order by desk, specialist) from readback.running r),
			(select string_agg(k::text, E'\n' order by k::text) from readback.stream_key k),
			(select string_agg(p::text, E'\n' order by id) from readback.photo p),
			(select string_agg(c::text, E'\n' order by clue, job) from readback.clue c),
			(select string_agg(d::text, E'\n' order by hash) from readback.device_token d),
			(select string_agg(n::text, E'\n' order by org, interface, id) from readback.announcement n),
			(select string_agg(a::text, E'\n' order by member) from readback.account a))`).Scan(&all)
	require.NoError(s.t, err)
	return all
}

// Client asks over HTTP.
type Client struct {
	Login  string // empty for nobody
	Access token.Access
	Token  string
	Header http.Header // of every request

	s *Server
}

// With is a copy of the client that sends one more header, or none where value is empty.
func (c *Client) With(name, value string) *Client {
	next := *c
	next.Header = c.Header.Clone()
	next.Header.Del(name)
	if value != "" {
		next.Header.Set(name, value)
	}
	return &next
}

// Answer is what came back.
type Answer struct {
	Status int
	Header http.Header
	Body   string
}

// Ask sends one request. body may be empty.
func (c *Client) Ask(method, path, body string) Answer {
	c.s.t.Helper()
	req, err := http.NewRequestWithContext(c.s.t.Context(), method, c.s.URL+path, strings.NewReader(body))
	require.NoError(c.s.t, err)
	for name, values := range c.Header {
		req.Header[name] = values
	}
	got, err := c.s.http.Do(req)
	require.NoError(c.s.t, err)
	defer got.Body.Close()
	raw, err := io.ReadAll(got.Body)
	require.NoError(c.s.t, err)
	return Answer{Status: got.StatusCode, Header: got.Header, Body: string(raw)}
}

// Get asks for a path.
func (c *Client) Get(path string) Answer {
	c.s.t.Helper()
	return c.Ask(http.MethodGet, path, "")
}

// Post sends a JSON text.
func (c *Client) Post(path, body string) Answer {
	c.s.t.Helper()
	return c.With("Content-Type", "application/json").Ask(http.MethodPost, path, body)
}
