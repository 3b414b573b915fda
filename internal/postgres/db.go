// Package postgres keeps the trail in PostgreSQL. It implements live.Store and live.Bus, and gives the lists and the
// accounts. It is hand-written SQL, each statement a constant beside the method that runs it.
//
// What holds:
//   - An entry is acknowledged after the commit that made it durable, together with the stream's head row, its key and the
//     running routine, all in one statement.
//   - One writer per DB takes whatever is pending the moment it is free and commits it as one statement (append.go,
//     appender.go). It owns its connection. Everything else goes through three pools: one in the role readback_writer; one
//     in readback_hub, which reads every stream, for folding, following and verifying; and one in readback_reader.
//   - Whatever is read on somebody's behalf is read in the role readback_reader, under row-level security, for the
//     organisation named in the transaction of the query itself (asking.go). No other query uses that role, so a list that
//     forgets whom it is for is empty, and none can write, or read a key or a password. This is a second wall beneath package
//     access, against our mistakes: it does not hold against who can run SQL of their own as the login.
//   - A Tail numbers all entries in one order without gaps (tail.go), for whoever must see each of them once.
//   - Errors leave the package as *fault.Error where the caller can do something about them; the one table of SQLSTATEs
//     and constraint names is in sqlstate.go.
//
// A DB may be used by any number of goroutines.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"readback/internal/fault"
	"readback/internal/live"
)

// Options of a DB. The zero value is right for a server.
type Options struct {
	Log          *slog.Logger  // nil: nothing is logged
	ReaderConns  int32         // most connections for reading on behalf of somebody at once; 0: 8
	HubConns     int32         // most connections for folding and verifying at once; 0: 8
	WriterConns  int32         // most connections for accounts and keys at once, beside the appender's one; 0: 2
	BatchEntries int           // most entries in one statement; 0: 2000
	Patience     time.Duration // how long an append waits for a database that went away; 0: 10 s
	PollEvery    time.Duration // how often the bus looks for changes it was not told of; 0: 5 s
}

// Roles of the database, made by Migrate.
const (
	ownerRole  = "readback_owner"
	writerRole = "readback_writer"
	hubRole    = "readback_hub"    // sees every stream
	readerRole = "readback_reader" // sees what the asking organisation may
	schema     = "readback"
)

// DB is an open database. Close it.
type DB struct {
	log      *slog.Logger
	opt      Options
	config   *pgxpool.Config // as given by the url, in no role
	writer   *pgxpool.Pool
	hub      *pgxpool.Pool
	reader   *pgxpool.Pool
	appender *appender
}

var _ live.Store = (*DB)(nil)

// Open connects by url (or the PG… variables it leaves open), checks that the server is new enough and the schema is
// the one this program was built with, and starts the appender. It creates nothing: see Migrate.
func Open(ctx context.Context, url string, opt Options) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("read the database's address: %w", notAddress(err))
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	opt.ReaderConns = orDefault(opt.ReaderConns, 8)
	opt.HubConns = orDefault(opt.HubConns, 8)
	opt.WriterConns = orDefault(opt.WriterConns, 2)
	opt.BatchEntries = orDefault(opt.BatchEntries, 2000)
	opt.Patience = orDefault(opt.Patience, 10*time.Second)
	opt.PollEvery = orDefault(opt.PollEvery, 5*time.Second)
	d := &DB{log: opt.Log, opt: opt, config: config}

	for _, p := range []struct {
		pool  **pgxpool.Pool
		role  string
		conns int32
	}{{&d.hub, hubRole, opt.HubConns}, {&d.reader, readerRole, opt.ReaderConns}, {&d.writer, writerRole, opt.WriterConns}} {
		if *p.pool, err = d.pool(ctx, p.role, p.conns); err != nil {
			d.closePools()
			return nil, err
		}
	}
	if err := d.check(ctx); err != nil {
		d.closePools()
		return nil, fmt.Errorf("open the database: %w", err)
	}
	d.appender = startAppender(d.connConfig(writerRole), opt)
	return d, nil
}

// Close commits what was already handed to Append, refuses more, and closes the connections. When ctx ends first it
// gives up on what is not committed; those appends return an error.
func (d *DB) Close(ctx context.Context) error {
	err := d.appender.close(ctx)
	d.closePools()
	return err
}

func (d *DB) closePools() {
	for _, pool := range []*pgxpool.Pool{d.hub, d.reader, d.writer} {
		if pool != nil {
			pool.Close()
		}
	}
}

const sqlNow = `select clock_timestamp()`

// Now is the database's clock.
func (d *DB) Now(ctx context.Context) (time.Time, error) {
	now, err := reading(d.hub, func() (now time.Time, err error) {
		err = d.hub.QueryRow(ctx, sqlNow).Scan(&now)
		return now, err
	})
	if err != nil {
		return time.Time{}, fmt.Errorf("read the database's clock: %w", explain(err))
	}
	return now.UTC(), nil
}

func (d *DB) pool(ctx context.Context, role string, conns int32) (*pgxpool.Pool, error) {
	config := d.config.Copy()
	config.ConnConfig = d.connConfig(role)
	config.MaxConns = conns
	if role == readerRole {
		// The planner takes each condition of a policy for one that few rows pass. It would rather read all that an organisation
		// has and sort it than take the newest from an index, which every list has one for.
		config.ConnConfig.RuntimeParams["enable_sort"] = "off"
		config.ConnConfig.RuntimeParams["jit"] = "off" // or the price of a sort that is needed would call for it
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("make a pool of connections: %w", err)
	}
	return pool, nil
}

// connConfig is how every connection is made: in one role, seeing our schema only, in UTC, and never idle in a
// transaction for long, since an open one holds up whoever follows all entries.
func (d *DB) connConfig(role string) *pgx.ConnConfig {
	return inRole(d.config.ConnConfig, role)
}

func inRole(config *pgx.ConnConfig, role string) *pgx.ConnConfig {
	c := config.Copy()
	p := c.RuntimeParams
	p["role"] = role
	p["search_path"] = schema
	p["timezone"] = "UTC"
	p["idle_in_transaction_session_timeout"] = "60s"
	if p["application_name"] == "" {
		p["application_name"] = "readback"
	}
	return c
}

const sqlServer = `
	select current_setting('server_version_num')::int, current_setting('server_version'),
	       current_setting('fsync')::bool and current_setting('full_page_writes')::bool`

// sqlForeign looks for transactions that this server has not begun yet.
const sqlForeign = `
	select exists (select from leaf_cursor where tx >= pg_snapshot_xmax(pg_current_snapshot()))
		or exists (select from entry where tx >= pg_snapshot_xmax(pg_current_snapshot()))`

const sqlSchemaVersion = `select coalesce(max(version_id), 0) from goose_db_version where is_applied`

func (d *DB) check(ctx context.Context) error {
	var number int
	var name string
	var durable bool
	if err := d.hub.QueryRow(ctx, sqlServer).Scan(&number, &name, &durable); err != nil {
		return explain(err)
	}
	if err := supported(number, name); err != nil {
		return err
	}
	if !durable {
		d.log.WarnContext(ctx, "the database server runs with fsync or full_page_writes off: a crash of its machine can lose acknowledged entries")
	}
	var have int64
	if err := d.hub.QueryRow(ctx, sqlSchemaVersion).Scan(&have); err != nil {
		return explain(err)
	}
	if err := current(have, latest()); err != nil {
		return err
	}
	for _, pool := range []*pgxpool.Pool{d.reader, d.writer} {
		if err := pool.Ping(ctx); err != nil { // in its role
			return explain(err)
		}
	}
	var foreign bool
	if err := d.writer.QueryRow(ctx, sqlForeign).Scan(&foreign); err != nil {
		return explain(err)
	}
	if foreign {
		return fault.New(fault.WrongServer, "The entries carry transaction numbers of another server: the database was restored from a dump. "+
			"Have a superuser run the statements under \"Backup\" in docs/operations.md.")
	}
	return nil
}

// reading runs a query that changes nothing, and once more if the connection that the pool gave turns out to be broken:
// after the server was restarted all of them are, and nobody should have to hear of it.
func reading[T any](pool *pgxpool.Pool, query func() (T, error)) (T, error) {
	v, err := query()
	if broken(err) {
		pool.Reset()
		v, err = query()
	}
	return v, err
}

func orDefault[T comparable](v, otherwise T) T {
	var zero T
	if v == zero {
		return otherwise
	}
	return v
}

// ended reports whether err only says that a context ended.
func ended(err error) bool {
	return errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}
