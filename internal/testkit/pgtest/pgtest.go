// Package pgtest gives each test that asks a database of its own on a real PostgreSQL.
//
// A test package has one cluster of its own, started by the first test that asks and gone with the test process, however
// that ends. It lies under TMPDIR if that is set, else in memory where there is plenty, else in the system's temporary
// directory, and does not survive a crash, which makes it fast. The migrations run once, in a template; every database is
// a copy of it. With TEST_DATABASE_URL set, the copies are made on that server instead; its user must be a superuser.
//
//	func TestMain(m *testing.M) { goleak.VerifyTestMain(pgtest.Wrap(m, migrate)) }
//
//	func TestLease(t *testing.T) {
//		db, err := postgres.Open(t.Context(), pgtest.Database(t), postgres.Options{})
//
// A machine without PostgreSQL makes the tests fail, never skip, and the failure names the command that installs it.
// Database may be called from parallel tests.
package pgtest

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
)

// Migrate brings the empty database of the URL, which is a superuser's, to where tests begin. It must close its
// connections.
type Migrate func(ctx context.Context, superuserURL string) error

// Runner is what runs a package's tests: a *testing.M.
type Runner interface{ Run() int }

// startPatience bounds the start of a server and its migrations, on a machine that is busy with other packages' tests.
const startPatience = 2 * time.Minute

// suite is the one server of a test process.
type suite struct {
	tests   Runner
	migrate Migrate

	start  sync.Once
	server *server // nil before the first test asks, or when the start failed
	err    error
}

var (
	currentMu sync.Mutex
	current   *suite
)

// Wrap returns a Runner that runs the tests with databases and leaves nothing running.
func Wrap(m Runner, migrate Migrate) Runner { return &suite{tests: m, migrate: migrate} }

// Run runs the tests.
func (s *suite) Run() int {
	setCurrent(s)
	defer setCurrent(nil)
	status := s.tests.Run()
	if s.server == nil {
		return status
	}
	ctx, cancel := context.WithTimeout(context.Background(), startPatience)
	defer cancel()
	if err := s.server.close(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "pgtest: clear away the test server:", err)
		if status == 0 {
			status = 1
		}
	}
	return status
}

func setCurrent(s *suite) {
	currentMu.Lock()
	defer currentMu.Unlock()
	current = s
}

// Database returns the superuser's URL of a fresh copy of the migrated database. It is dropped after the test, with
// whatever is still connected to it.
func Database(t testing.TB) string {
	t.Helper()
	s := serverFor(t)
	name, err := s.clone(t.Context())
	if err != nil {
		t.Fatalf("pgtest: copy the template: %v", err)
	}
	t.Cleanup(func() {
		if err := s.drop(context.WithoutCancel(t.Context()), name); err != nil {
			t.Errorf("pgtest: drop the copy: %v", err)
		}
	})
	return s.url(name)
}

// Empty is like Database, but nothing is in it: for tests of the migrations themselves. Roles belong to the whole
// server, so those of the migrations may be there.
func Empty(t testing.TB) string {
	t.Helper()
	s := serverFor(t)
	name, err := s.create(t.Context())
	if err != nil {
		t.Fatalf("pgtest: create a database: %v", err)
	}
	t.Cleanup(func() {
		if err := s.drop(context.WithoutCancel(t.Context()), name); err != nil {
			t.Errorf("pgtest: drop the database: %v", err)
		}
	})
	return s.url(name)
}

// serverFor is the process's server, started if this test is the first to ask.
func serverFor(t testing.TB) *server {
	t.Helper()
	currentMu.Lock()
	s := current
	currentMu.Unlock()
	if s == nil {
		t.Fatal("pgtest: the package's TestMain does not run pgtest.Wrap")
	}
	s.start.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), startPatience)
		defer cancel()
		s.server, s.err = startServer(ctx, strings.TrimSpace(os.Getenv("TEST_DATABASE_URL")), s.migrate)
	})
	if s.err != nil {
		t.Fatalf("pgtest: %v", s.err)
	}
	return s.server
}
