package bench

import (
	"context"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"readback/internal/postgres"
	"readback/internal/postgres/local"
)

// service measures what stands on the database, on one cluster that flushes every commit, and gives the directory of
// its programs.
func service(t *testing.T, e effort, b *book) (bin string) {
	dir := newDir(t)
	cluster, err := local.Start(t.Context(), local.Config{
		StateDir: dir, FastUnsafe: !e.long, Settings: map[string]string{"max_connections": "200"},
	})
	require.NoError(t, err)
	t.Cleanup(cluster.Kill)
	d := &database{effort: e, cluster: cluster, url: cluster.URL("postgres")}
	_, err = postgres.Migrate(t.Context(), d.url, "")
	require.NoError(t, err)
	d.db, err = postgres.Open(t.Context(), d.url, postgres.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.db.Close(context.WithoutCancel(t.Context()))) })
	d.pool = connections(t, d.url)
	text, err := os.ReadFile(filepath.Join(dir, "postgres", "data", "postmaster.pid"))
	require.NoError(t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	d.server, err = strconv.Atoi(first)
	require.NoError(t, err)
	var version string
	require.NoError(t, d.pool.QueryRow(t.Context(), "select current_setting('server_version')").Scan(&version))
	b.note("PostgreSQL %s, settings of a private cluster: every commit is flushed", version)

	appends(t, d, b)
	messages(t, d, b)
	return cluster.BinDir()
}

type database struct {
	effort
	cluster *local.Cluster
	url     string
	db      *postgres.DB
	pool    *pgxpool.Pool // of those who make do without the appender
	server  int           // the server's first process
}

// atOnce is how many connections pgbench and single transactions have.
const atOnce = 64

// connections are in the role that the appender has.
func connections(t *testing.T, database string) *pgxpool.Pool {
	t.Helper()
	c, err := pgxpool.ParseConfig(database)
	require.NoError(t, err)
	c.MaxConns = atOnce
	c.ConnConfig.RuntimeParams["role"] = "readback_writer"
	c.ConnConfig.RuntimeParams["search_path"] = "readback"
	pool, err := pgxpool.NewWithConfig(t.Context(), c)
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	return pool
}

// address is where pgbench finds the cluster.
func (d *database) address(t *testing.T) (socket, port, user string) {
	t.Helper()
	u, err := url.Parse(d.url)
	require.NoError(t, err)
	return u.Query().Get("host"), u.Query().Get("port"), u.User.Username()
}
