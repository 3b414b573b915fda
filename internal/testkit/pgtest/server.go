package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/jackc/pgx/v5"

	"readback/internal/postgres/local"
)

// databasePrefix begins the name of every database made here.
const databasePrefix = "readback_test_"

// server makes databases: on a cluster of its own, or on one it was given.
type server struct {
	base     string // a superuser's URL; url puts another database into it
	run      string // begins the names of this process's databases
	template string
	count    atomic.Int64

	private  *local.Cluster // nil on a server that was given
	stateDir string         // of private

	mu    sync.Mutex
	admin *pgx.Conn // guarded by mu
	copy  string    // the end of the copying statement
}

// startServer starts a cluster, or uses the server of given, and makes the template.
func startServer(ctx context.Context, given string, migrate Migrate) (*server, error) {
	s := &server{base: given, run: databasePrefix + strings.ToLower(rand.Text()[:10])}
	if given == "" {
		if err := s.startPrivate(ctx); err != nil {
			return nil, err
		}
	}
	if err := s.makeTemplate(ctx, migrate); err != nil {
		return nil, errors.Join(err, s.close(context.WithoutCancel(ctx)))
	}
	return s, nil
}

func (s *server) startPrivate(ctx context.Context) error {
	removeLeftovers(ctx)
	dir, err := newStateDir()
	if err != nil {
		return err
	}
	cluster, err := local.Start(ctx, local.Config{StateDir: dir, FastUnsafe: true, Settings: map[string]string{
		"max_connections":            "400",  // parallel tests each have pools
		"dynamic_shared_memory_type": "mmap", // in the data directory, so that a kill leaves nothing elsewhere
	}})
	if err != nil {
		return errors.Join(err, local.Remove(context.WithoutCancel(ctx), dir, ""))
	}
	s.private, s.stateDir, s.base = cluster, dir, cluster.URL("postgres")
	return nil
}

// makeTemplate connects, clears what killed runs left on a server that was given, and migrates the template.
func (s *server) makeTemplate(ctx context.Context, migrate Migrate) error {
	conn, err := pgx.Connect(ctx, s.base)
	if err != nil {
		return fmt.Errorf("connect to the test server: %w", err)
	}
	s.admin = conn
	var version int
	if err := conn.QueryRow(ctx, "select current_setting('server_version_num')::int").Scan(&version); err != nil {
		return fmt.Errorf("ask the test server's version: %w", err)
	}
	if version >= 150000 {
		s.copy = " strategy file_copy" // the only one before 15; see BenchmarkClone
	}
	if s.private == nil {
		if err := s.holdRun(ctx); err != nil {
			return fmt.Errorf("clear the test server: %w", err)
		}
	}
	if s.template, err = s.create(ctx); err != nil {
		return fmt.Errorf("create the template: %w", err)
	}
	if migrate != nil {
		if err := migrate(ctx, s.url(s.template)); err != nil {
			return fmt.Errorf("migrate the template: %w", err)
		}
	}
	return nil
}

// create makes an empty database and returns its name.
func (s *server) create(ctx context.Context) (string, error) {
	name := s.newName()
	return name, s.exec(ctx, "create database "+name+" template template0 encoding 'UTF8' lc_collate 'C' lc_ctype 'C'")
}

// clone makes a copy of the template and returns its name.
func (s *server) clone(ctx context.Context) (string, error) {
	name := s.newName()
	return name, s.exec(ctx, "create database "+name+" template "+s.template+s.copy)
}

func (s *server) drop(ctx context.Context, name string) error {
	return s.exec(ctx, "drop database if exists "+name+" with (force)")
}

func (s *server) newName() string { return fmt.Sprintf("%s_%d", s.run, s.count.Add(1)) }

func (s *server) exec(ctx context.Context, sql string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, err := s.admin.Exec(ctx, sql)
	return err
}

// url is the base with another database in it.
func (s *server) url(database string) string {
	if u, err := url.Parse(s.base); err == nil && strings.Contains(s.base, "://") {
		u.Path = "/" + database
		return u.String()
	}
	return s.base + " dbname=" + database // of two settings the last one counts
}

// close ends the server, or removes what is this process's from one that was given.
func (s *server) close(ctx context.Context) error {
	if s.private == nil {
		return s.releaseRun(ctx)
	}
	if s.admin != nil {
		_ = s.admin.Close(ctx) // its server is about to be killed
	}
	s.private.Kill()
	return local.Remove(ctx, s.stateDir, "")
}
