package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/postgres"
	"readback/internal/postgres/local"
)

// name is the database and the role of the service in a private cluster.
const name = "readback"

// database is where the trail is kept: a server that is given, or a private cluster that this process runs and
// restarts when it dies.
type database struct {
	url string // as the service connects
	log *slog.Logger

	watched sync.WaitGroup
	failed  chan error         // gets why the private cluster cannot be kept up
	leave   context.CancelFunc // ends the attempt to start it again

	mu      sync.Mutex     // guards what follows
	cluster *local.Cluster // nil when the server is given
	closing bool
}

// openDatabase finds or makes the database. A private one is migrated; a given one is left as it is.
func openDatabase(ctx context.Context, cfg config.Config, log *slog.Logger) (*database, error) {
	if cfg.DatabaseURL != "" {
		return &database{url: cfg.DatabaseURL, log: log}, nil
	}
	d := &database{log: log, failed: make(chan error, 1)}
	c, err := d.start(ctx, cfg)
	if err != nil {
		return nil, err
	}
	if err := prepare(ctx, c); err != nil {
		c.Kill()
		return nil, err
	}
	d.cluster, d.url = c, c.URLAs(name, name)
	again, leave := context.WithCancel(context.WithoutCancel(ctx))
	d.leave = leave
	d.watched.Go(func() { d.watch(again, cfg) })
	return d, nil
}

// existingDatabase is openDatabase for those who only read: it makes no cluster, and uses that of another process.
func existingDatabase(ctx context.Context, cfg config.Config, log *slog.Logger) (*database, error) {
	if cfg.DatabaseURL == "" {
		made, err := local.Made(cfg.StateDir)
		if err != nil {
			return nil, err
		}
		if !made {
			return nil, fault.New(fault.NoDatabase, fmt.Sprintf("There is no private cluster in %s. Set DATABASE_URL, or READBACK_STATE_DIR to where one is.", cfg.StateDir))
		}
	}
	d, err := openDatabase(ctx, cfg, log)
	if !errors.Is(err, local.ErrInUse) {
		return d, err
	}
	url, err := local.Running(cfg.StateDir, name, name)
	if err != nil {
		return nil, err
	}
	return &database{url: url, log: log}, nil
}

func (d *database) start(ctx context.Context, cfg config.Config) (*local.Cluster, error) {
	return local.Start(ctx, local.Config{StateDir: cfg.StateDir, Log: d.log})
}

// prepare makes the database in a new cluster and brings its tables up to date.
func prepare(ctx context.Context, c *local.Cluster) error {
	conn, err := pgx.Connect(ctx, c.URL("postgres"))
	if err != nil {
		return fmt.Errorf("connect to the private cluster: %w", err)
	}
	defer conn.Close(ctx)
	var there bool
	if err := conn.QueryRow(ctx, "select exists (select from pg_database where datname = $1)", name).Scan(&there); err != nil {
		return fmt.Errorf("look for the database: %w", err)
	}
	if !there {
		if _, err := conn.Exec(ctx, "create database "+name); err != nil {
			return fmt.Errorf("create the database: %w", err)
		}
	}
	_, err = postgres.Migrate(ctx, c.URL(name), name)
	return err
}

// A private cluster that ends by itself so often in such a time is not started again: something is wrong that starting
// does not mend.
const (
	mostStarts  = 5
	startsCount = 5 * time.Minute
)

// watch starts the private cluster again when it ends by itself. Connections find it at the same place.
func (d *database) watch(ctx context.Context, cfg config.Config) {
	var ends []time.Time
	for {
		c := d.current()
		<-c.Done()
		if d.isClosing() {
			return
		}
		ends = append(ends, time.Now())
		if n := len(ends) - mostStarts; n >= 0 && ends[len(ends)-1].Sub(ends[n]) < startsCount {
			d.failed <- fmt.Errorf("the private database ended by itself %d times within %s: %w", mostStarts, startsCount, c.Err())
			return
		}
		d.log.Error("the private database ended by itself; starting it again", slog.Any("cause", c.Err()))
		c.Kill() // what may be left of it
		next, err := d.restart(ctx, cfg)
		if d.isClosing() && err != nil {
			return
		}
		if err != nil {
			d.failed <- fmt.Errorf("start the private database again: %w", err)
			return
		}
		d.mu.Lock()
		d.cluster = next
		closing := d.closing
		d.mu.Unlock()
		if closing { // close saw the dead one
			next.Kill()
			return
		}
		d.log.Info("the private database is back")
	}
}

func (d *database) restart(ctx context.Context, cfg config.Config) (*local.Cluster, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	next, err := d.start(ctx, cfg)
	if err == nil && next.URLAs(name, name) != d.url {
		next.Kill()
		return nil, errors.New("its socket is at another place now")
	}
	return next, err
}

func (d *database) current() *local.Cluster {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cluster
}

func (d *database) isClosing() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closing
}

// room refuses when the private cluster's disk is nearly full, before PostgreSQL finds out.
func (d *database) room() error {
	c := d.current()
	if c == nil {
		return nil
	}
	return c.Room()
}

// close stops a private cluster.
func (d *database) close(ctx context.Context) error {
	d.mu.Lock()
	c := d.cluster
	d.closing = true
	d.mu.Unlock()
	if c == nil {
		return nil
	}
	d.leave()
	err := c.Stop(ctx)
	d.watched.Wait()
	return err
}
