// Package local makes and runs a PostgreSQL cluster of Readback's own, so that a workshop needs no database
// administrator: the machine's own server binaries (version 14 or newer), a data directory nobody else touches, and no
// way in but a socket in a directory that is closed to everyone else.
//
// A state directory holds one cluster, in its folder "postgres":
//
//	lock      held (flock) by the one process that runs the cluster; its text is that process's id
//	data      the data directory; it appears whole, by a rename, or not at all
//	run       the socket's directory, mode 0700
//	ballast   20 MB to give away when the disk is full (see room.go)
//
// Invariants: at most one process runs the cluster of a state directory. The server never outlives the process that
// started it, however that ended. What a client was told is committed survives the end of everything but the disk,
// unless Config.FastUnsafe was asked for. PostgreSQL refuses to run as root, so root runs it as the account "postgres",
// which then owns data and run; the folder itself stays root's.
//
// Who can open the socket is the database's superuser and may name itself any role: the directory's mode is the lock.
// With root that is root and the account; otherwise it is the user.
//
// The package needs Linux: it leans on parent-death signals, flock, syncfs and /proc. A Cluster's methods may be
// called from any goroutine.
package local

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"readback/internal/fault"
)

// Superuser is the role that owns a new cluster.
const Superuser = "postgres"

// port only names the socket; nothing listens on TCP.
const port = "5432"

// Config says where a cluster lives and how it runs. The zero value but for StateDir is right for a service.
type Config struct {
	// StateDir is made if it is not there. As root every directory on the way to it must be passable for the
	// account, which rules out /root. DefaultStateDir has the usual place.
	StateDir string

	// Log gets what the server says; nil drops it.
	Log *slog.Logger

	// Settings are server settings that win over the cluster's postgresql.conf and over ours.
	Settings map[string]string

	// FastUnsafe turns off everything that makes a commit survive a crash of the machine. For tests only.
	FastUnsafe bool

	// BinDir is the directory of the server binaries; empty means the newest the machine has, or those of the version
	// that made the data.
	BinDir string

	// Account is who runs the server when root starts it; empty means "postgres".
	Account string
}

// DefaultStateDir is where the cluster lives unless told otherwise: /var/lib/readback for root, else a directory of
// the user's own as the XDG base directory specification has it.
func DefaultStateDir(euid int, getenv func(string) string) (string, error) {
	if euid == 0 {
		return "/var/lib/readback", nil
	}
	// The specification says to ignore a relative path here.
	if data := getenv("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, "readback"), nil
	}
	if home := getenv("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".local/share/readback"), nil
	}
	return "", fault.New(fault.NoDatabase, "There is no place to keep the database: neither HOME nor XDG_DATA_HOME is set. "+
		"Set one of them, or name a state directory.", fault.Field{Name: "state_dir", Want: "a directory this user can write to"})
}

// Cluster is a running server. It must be stopped, also after it died by itself.
type Cluster struct {
	home   *home
	bins   binaries
	server *server
	socket string // the socket's directory
	log    *slog.Logger

	mu      sync.Mutex
	stopped bool // Stop or Kill was called: the end of the server is no failure
}

// Start makes the cluster if there is none and brings its server up. ctx bounds the start only. What a killed
// predecessor left behind (servers, locks, a half-made data directory) is cleared away first. Refusals are
// *fault.Error.
func Start(ctx context.Context, cfg Config) (*Cluster, error) {
	log := cfg.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	h, err := openHome(cfg.StateDir, cfg.Account)
	if err != nil {
		return nil, err
	}
	c, err := start(ctx, cfg, h, log)
	if err != nil {
		h.close()
		return nil, err
	}
	return c, nil
}

func start(ctx context.Context, cfg Config, h *home, log *slog.Logger) (*Cluster, error) {
	began := time.Now()
	if err := h.clearUnfinished(ctx); err != nil {
		return nil, err
	}
	made, err := h.dataVersion()
	if err != nil {
		return nil, err
	}
	bins, err := findBinaries(cfg.BinDir, made, h.owner)
	if err != nil {
		return nil, err
	}
	if made == 0 {
		if err := h.create(ctx, bins, cfg.FastUnsafe); err != nil {
			return nil, err
		}
	} else if err := h.giveBallastIfFull(log); err != nil {
		return nil, err
	}
	if err := h.clearLeftovers(ctx); err != nil {
		return nil, err
	}
	socket, err := h.socketDir()
	if err != nil {
		return nil, err
	}
	srv, err := startServer(ctx, h, bins, settings(cfg, socket), log)
	if err != nil {
		return nil, err
	}
	c := &Cluster{home: h, bins: bins, server: srv, socket: socket, log: log}
	if err := h.keepBallast(); err != nil {
		log.WarnContext(ctx, "no ballast against a full disk", "error", err)
	}
	log.InfoContext(ctx, "private database is up", "data_dir", h.data(), "version", bins.major, "new", made == 0,
		"start_ms", time.Since(began).Milliseconds())
	return c, nil
}

// settings are what goes on the server's command line and so wins over postgresql.conf, where the rest may be tuned.
func settings(cfg Config, socket string) map[string]string {
	s := map[string]string{
		"listen_addresses":        "",
		"unix_socket_directories": socket, // socketDir refuses what this list would need to quote
		"unix_socket_permissions": "0700",
		"port":                    port,
		"fsync":                   "on",
		"full_page_writes":        "on",
		"synchronous_commit":      "on",
		"log_destination":         "stderr",
		"logging_collector":       "off",
		"log_line_prefix":         "",
		// Rows of personal data must not reach the log with a failed statement or a violated constraint.
		"log_min_error_statement": "panic",
		"log_error_verbosity":     "terse",
		"jit":                     "off", // compiling costs more than our short statements take
	}
	if cfg.FastUnsafe {
		s["fsync"], s["full_page_writes"], s["synchronous_commit"] = "off", "off", "off"
		s["shared_buffers"] = "32MB"
		s["wal_level"], s["max_wal_senders"] = "minimal", "0"
	}
	for name, value := range cfg.Settings {
		s[name] = value
	}
	return s
}

// URL connects the superuser to a database of the cluster. It is for pgx and for libpq alike.
func (c *Cluster) URL(database string) string { return c.URLAs(Superuser, database) }

// URLAs connects a role to a database of the cluster. No role needs a password here.
func (c *Cluster) URLAs(role, database string) string { return urlAs(c.socket, role, database) }

func urlAs(socket, role, database string) string {
	q := url.Values{"host": {socket}, "port": {port}}
	u := url.URL{
		Scheme: "postgres", User: url.User(role), Path: "/" + database,
		RawQuery: strings.ReplaceAll(q.Encode(), "+", "%20"), // libpq takes a plus for a plus
	}
	return u.String()
}

// Major is the server's major version.
func (c *Cluster) Major() int { return c.bins.major }

// BinDir is the directory of the server's binaries, where pg_dump and its kin of the same version stand.
func (c *Cluster) BinDir() string { return c.bins.dir }

// Done is closed when the server has ended, asked or not.
func (c *Cluster) Done() <-chan struct{} { return c.server.done }

// Err says why the server ended by itself. It is nil while it runs and after it was stopped.
func (c *Cluster) Err() error {
	select {
	case <-c.server.done:
	default:
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.stopped {
		return nil
	}
	return fault.New(fault.NoDatabase, "The database server ended by itself.").Because(c.server.failure())
}

// stopPatience is how long a server may take to obey before the next harder signal.
const stopPatience = 10 * time.Second

// Stop ends every connection, writes a checkpoint and waits for the server to be gone. When ctx ends first the server is
// stopped at once instead, which loses nothing but time at the next start, and ctx's error is returned.
func (c *Cluster) Stop(ctx context.Context) error {
	if c.end() {
		return nil
	}
	defer c.home.close()
	c.server.signal(fastStop)
	select {
	case <-c.server.done:
		c.removeSocketDir()
		return nil
	case <-ctx.Done():
		c.kill()
		return fmt.Errorf("stop the database server: stopped at once, it will recover when next started: %w", context.Cause(ctx))
	}
}

// Kill ends the server at once, without a checkpoint: the next start recovers. For a cluster that is to be removed.
func (c *Cluster) Kill() {
	if c.end() {
		return
	}
	defer c.home.close()
	c.kill()
}

func (c *Cluster) kill() {
	c.server.killWithin(stopPatience)
	c.removeSocketDir()
}

// end marks the cluster as stopped and reports whether it already was.
func (c *Cluster) end() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	was := c.stopped
	c.stopped = true
	return was
}

// Remove deletes the cluster of a state directory that no process runs, and the directory too if that leaves it empty.
func Remove(ctx context.Context, stateDir, accountName string) error {
	if _, err := os.Lstat(filepath.Join(stateDir, homeName)); errors.Is(err, os.ErrNotExist) {
		return removeEmpty(stateDir)
	}
	h, err := openHome(stateDir, accountName)
	if err != nil {
		return err
	}
	defer h.close()
	if err := h.clearUnfinished(ctx); err != nil {
		return err
	}
	if err := h.clearLeftovers(ctx); err != nil {
		return err
	}
	if err := os.RemoveAll(h.farSocketDir()); err != nil {
		return fmt.Errorf("remove socket directory: %w", err)
	}
	if err := os.RemoveAll(h.dir); err != nil {
		return fmt.Errorf("remove private database: %w", err)
	}
	return removeEmpty(stateDir)
}

func removeEmpty(dir string) error {
	err := os.Remove(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) && !errors.Is(err, syscall.ENOTEMPTY) {
		return fmt.Errorf("remove state directory: %w", err)
	}
	return nil
}
