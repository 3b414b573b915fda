package pgtest

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/sys/unix"
)

// hangVar makes the test binary a run that asks for a database, says where it is, and waits to be killed.
const hangVar = "READBACK_TEST_HANG"

func migrate(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	// Of the size of a real schema, for the benchmark.
	_, err = conn.Exec(ctx, `
		create table seen (n int primary key);
		insert into seen values (1);
		do $$ begin
			for i in 1..25 loop
				execute format('create table t%s (id uuid primary key, a text unique, b jsonb, at timestamptz)', i);
				execute format('create index on t%s (at)', i);
			end loop;
		end $$`)
	return err
}

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(Wrap(m, migrate))
}

func connect(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	return conn
}

func TestDatabasesAreApart(t *testing.T) {
	t.Parallel()
	a, b := connect(t, Database(t)), connect(t, Database(t)) // left open: the drop ends them
	_, err := a.Exec(t.Context(), "insert into seen values (2)")
	require.NoError(t, err)
	for conn, want := range map[*pgx.Conn]int{a: 2, b: 1} {
		var n int
		require.NoError(t, conn.QueryRow(t.Context(), "select count(*) from seen").Scan(&n))
		require.Equal(t, want, n)
	}
	var there bool
	require.NoError(t, connect(t, Empty(t)).QueryRow(t.Context(), "select to_regclass('seen') is not null").Scan(&there))
	require.False(t, there)
}

func TestURLOfAnotherDatabase(t *testing.T) {
	t.Parallel()
	for base, want := range map[string]string{
		"postgres://u:p@h:1/x?sslmode=disable":       "postgres://u:p@h:1/d?sslmode=disable",
		"postgres://u@/x?host=%2Frun%2Fa%20b&port=1": "postgres://u@/d?host=%2Frun%2Fa%20b&port=1",
		"host=h user=u dbname=x":                     "host=h user=u dbname=x dbname=d",
	} {
		got := (&server{base: base}).url("d")
		require.Equal(t, want, got)
		config, err := pgx.ParseConfig(got)
		require.NoError(t, err)
		require.Equal(t, "d", config.Database)
	}
}

// TestGivenServer uses another cluster as the server of TEST_DATABASE_URL, and finds there what a killed run left.
func TestGivenServer(t *testing.T) {
	t.Parallel()
	other, err := startServer(t.Context(), "", nil)
	require.NoError(t, err)
	defer func() { require.NoError(t, other.close(context.Background())) }()
	require.NoError(t, other.exec(t.Context(), "create database "+databasePrefix+"dead_1"))

	first, err := startServer(t.Context(), other.base, migrate)
	require.NoError(t, err)
	second, err := startServer(t.Context(), other.base, migrate)
	require.NoError(t, err)
	_, err = first.clone(t.Context())
	require.NoError(t, err, "the second run must leave the first one's databases alone")

	databases := func() (names []string) {
		rows, err := other.admin.Query(t.Context(), "select datname from pg_database where starts_with(datname, $1)", databasePrefix)
		require.NoError(t, err)
		names, err = pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err)
		return names
	}
	require.NotContains(t, databases(), databasePrefix+"dead_1")
	require.NoError(t, second.close(t.Context()))
	require.Subset(t, databases(), []string{first.template, first.run + "_2"})
	require.NotContains(t, databases(), second.template)
	require.NoError(t, first.drop(t.Context(), first.run+"_2"))
	require.NoError(t, first.close(t.Context()))
	require.Empty(t, databases(), "also the template of the other cluster's own, which holds no lock")
}

// TestKilledRun kills a test process: its server goes at once, its directory with the next run.
func TestKilledRun(t *testing.T) {
	if url := os.Getenv(hangVar); url != "" {
		_, err := os.Stdout.WriteString("\nhas " + Database(t) + "\n")
		require.NoError(t, err)
		select {}
	}
	tmp, err := os.MkdirTemp("", "readback-killed-*")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(tmp, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(tmp)) })

	run := exec.Command("/proc/self/exe", "-test.run=^TestKilledRun$")
	run.Env = append(os.Environ(), hangVar+"=1", "TMPDIR="+tmp, "TEST_DATABASE_URL=")
	run.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	out, err := run.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, run.Start())
	var url string
	for in := bufio.NewScanner(out); in.Scan(); {
		var ok bool
		if url, ok = strings.CutPrefix(in.Text(), "has "); ok {
			break
		}
	}
	conn := connect(t, url)
	dirs, err := filepath.Glob(filepath.Join(tmp, dirPrefix+"*"))
	require.NoError(t, err)
	require.Len(t, dirs, 1)

	// Neither the directory of a run that lives, nor one that only looks like it, may go.
	t.Setenv("TMPDIR", tmp)
	lookalike := filepath.Join(tmp, dirPrefix+"notes")
	require.NoError(t, os.Mkdir(lookalike, 0o755))
	removeLeftovers(t.Context())
	require.DirExists(t, dirs[0])

	server := watchServer(t, dirs[0])
	require.NoError(t, run.Process.Kill())
	require.Error(t, run.Wait())
	server()
	require.Error(t, conn.Ping(t.Context()))

	require.DirExists(t, dirs[0])
	removeLeftovers(t.Context())
	require.NoDirExists(t, dirs[0])
	require.DirExists(t, lookalike)
}

// watchServer returns a function that blocks until the cluster's server has ended.
func watchServer(t *testing.T, stateDir string) func() {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(stateDir, "postgres/data/postmaster.pid"))
	require.NoError(t, err)
	pid := 0
	for _, c := range strings.SplitN(string(text), "\n", 2)[0] {
		pid = pid*10 + int(c-'0')
	}
	fd, err := unix.PidfdOpen(pid, 0)
	require.NoError(t, err)
	return func() {
		defer unix.Close(fd)
		for {
			n, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, 20_000)
			if err != unix.EINTR {
				require.NoError(t, err)
				require.Equal(t, 1, n, "the server still runs")
				return
			}
		}
	}
}

// BenchmarkClone compares PostgreSQL's two ways of copying a database, and what dropping one costs.
func BenchmarkClone(b *testing.B) {
	s := serverFor(b)
	for _, strategy := range []string{"file_copy", "wal_log"} {
		b.Run(strategy, func(b *testing.B) {
			for b.Loop() {
				name := s.newName()
				require.NoError(b, s.exec(b.Context(), "create database "+name+" template "+s.template+" strategy "+strategy))
				b.StopTimer()
				require.NoError(b, s.drop(b.Context(), name))
				b.StartTimer()
			}
		})
	}
	b.Run("drop", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			name, err := s.clone(b.Context())
			require.NoError(b, err)
			b.StartTimer()
			require.NoError(b, s.drop(b.Context(), name))
		}
	})
}

// BenchmarkStart is what the first test that asks waits for.
func BenchmarkStart(b *testing.B) {
	for b.Loop() {
		s, err := startServer(b.Context(), "", migrate)
		require.NoError(b, err)
		b.StopTimer()
		require.NoError(b, s.close(b.Context()))
		b.StartTimer()
	}
}
