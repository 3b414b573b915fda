package local

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// refused starts what must not start and returns what is said about it.
func refused(t *testing.T, cfg Config, slug fault.Slug) string {
	t.Helper()
	_, err := Start(t.Context(), cfg)
	require.True(t, fault.Is(err, slug), "%v", err)
	return err.Error()
}

// withData is a state directory whose data directory holds just this PG_VERSION.
func withData(t *testing.T, version string) string {
	t.Helper()
	dir := newTempDir(t)
	own, err := findOwner(os.Geteuid(), "")
	require.NoError(t, err)
	home := filepath.Join(dir, homeName)
	require.NoError(t, os.Mkdir(home, own.folderMode()))
	data := filepath.Join(home, "data")
	require.NoError(t, os.Mkdir(data, 0o700))
	file := filepath.Join(data, "PG_VERSION")
	require.NoError(t, os.WriteFile(file, []byte(version), 0o600))
	require.NoError(t, own.own(data))
	require.NoError(t, own.own(file))
	return dir
}

func TestRefusesForeignData(t *testing.T) {
	t.Parallel()
	said := refused(t, Config{StateDir: withData(t, "99\n")}, fault.WrongServer)
	require.Contains(t, said, "made by PostgreSQL 99")
	require.Contains(t, said, "Install version 99 beside it")

	said = refused(t, Config{StateDir: withData(t, "9.6\n")}, fault.WrongServer)
	require.Contains(t, said, `"9.6"`)

	dir := withData(t, "15\n")
	version := filepath.Join(dir, homeName, "data", "PG_VERSION")
	require.NoError(t, os.Rename(version, version+".gone"))
	require.Contains(t, refused(t, Config{StateDir: dir}, fault.WrongServer), "is not a PostgreSQL data directory")
	require.FileExists(t, version+".gone")
}

func TestRefusesForeignOwner(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		// Only root can give a directory away. This one is root's.
		err := checkOwner("/", os.Geteuid())
		require.True(t, fault.Is(err, fault.WrongServer), "%v", err)
		require.ErrorContains(t, err, "belongs to root")
		return
	}
	dir := withData(t, "15\n")
	require.NoError(t, os.Chown(filepath.Join(dir, homeName, "data"), 1, 1))
	said := refused(t, Config{StateDir: dir}, fault.WrongServer)
	require.Contains(t, said, "belongs to "+userName(1))
	require.Contains(t, said, "should belong to postgres")

	dir = withData(t, "15\n")
	require.NoError(t, os.Chown(filepath.Join(dir, homeName), 1, 1))
	require.Contains(t, refused(t, Config{StateDir: dir}, fault.WrongServer), "should belong to root")
}

func TestRefusesUnreachablePlace(t *testing.T) {
	t.Parallel()
	base := newTempDir(t)
	file := filepath.Join(base, "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.Contains(t, refused(t, Config{StateDir: filepath.Join(file, "x")}, fault.NoDatabase), "not a directory")
	refused(t, Config{}, fault.NoDatabase)

	closed := filepath.Join(base, "closed")
	require.NoError(t, os.Mkdir(closed, 0o700))
	if os.Geteuid() != 0 {
		require.NoError(t, os.Chmod(closed, 0o500))
		require.Contains(t, refused(t, Config{StateDir: filepath.Join(closed, "x")}, fault.NoDatabase), "permission denied")
		return
	}
	// As /root is on most machines.
	said := refused(t, Config{StateDir: filepath.Join(closed, "x", "y")}, fault.NoDatabase)
	require.Contains(t, said, "the account postgres, which may not pass through "+closed+".")
	require.NoDirExists(t, filepath.Join(closed, "x"), "nothing may be made there")
}

// TestReachableUnderAnyUmask makes the way to the data under root's strictest umask.
func TestReachableUnderAnyUmask(t *testing.T) {
	dir := filepath.Join(newTempDir(t), "a", "b")
	old := syscall.Umask(0o077)
	defer syscall.Umask(old)
	h, err := openHome(dir, "")
	require.NoError(t, err)
	defer h.close()
	require.NoError(t, h.owner.checkPath(h.dir))
	info, err := os.Stat(dir)
	require.NoError(t, err)
	require.Equal(t, h.owner.folderMode(), info.Mode().Perm())
}

func TestRefusesWithoutBinaries(t *testing.T) {
	t.Parallel()
	said := refused(t, Config{StateDir: newTempDir(t), BinDir: t.TempDir()}, fault.NoDatabase)
	require.Contains(t, said, "no working PostgreSQL server programs")

	some := []binaries{{"/b/15", 15}, {"/b/17", 17}, {"/b/13", 13}, {"/b/16", 16}}
	for _, tc := range []struct {
		name  string
		found []binaries
		made  int
		want  string
		slug  fault.Slug
		says  string
	}{
		{name: "newest", found: some, want: "/b/17"},
		{name: "the data's", found: some, made: 16, want: "/b/16"},
		{name: "none", slug: fault.NoDatabase, says: "No PostgreSQL server is installed"},
		{name: "none for data", made: 15, slug: fault.NoDatabase, says: "made by PostgreSQL 15"},
		{name: "too old", found: some[2:3], slug: fault.NoDatabase, says: "needs 14 or newer"},
		{name: "data's is gone", found: some, made: 14, slug: fault.WrongServer, says: "only 17 (/b/17), 16 (/b/16)"},
		{name: "data too old", found: some, made: 13, slug: fault.WrongServer, says: "needs 14 or newer"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := choose(append([]binaries(nil), tc.found...), tc.made)
			if tc.want != "" {
				require.NoError(t, err)
				require.Equal(t, tc.want, got.dir)
				return
			}
			require.True(t, fault.Is(err, tc.slug), "%v", err)
			require.ErrorContains(t, err, tc.says)
		})
	}
}

// TestBinariesBehindAWrapper has the programs' real directory found through scripts and links that stand in PATH.
func TestBinariesBehindAWrapper(t *testing.T) {
	t.Parallel()
	own, err := findOwner(os.Geteuid(), "")
	require.NoError(t, err)
	real, err := findBinaries("", 0, own)
	require.NoError(t, err)
	require.GreaterOrEqual(t, real.major, oldest)

	base := newTempDir(t)
	scripts, links := filepath.Join(base, "scripts"), filepath.Join(base, "links")
	for _, dir := range []string{scripts, links} {
		require.NoError(t, os.Mkdir(dir, 0o755))
	}
	for _, program := range []string{"postgres", "initdb"} {
		text := "#!/bin/sh\nexec '" + real.path(program) + "' \"$@\"\n"
		require.NoError(t, os.WriteFile(filepath.Join(scripts, program), []byte(text), 0o755))
		require.NoError(t, os.Symlink(real.path(program), filepath.Join(links, program)))
	}
	for _, dir := range []string{scripts, links} {
		got, err := findBinaries(dir, 0, own)
		require.NoError(t, err)
		require.Equal(t, real, got)
	}
}

func TestRoom(t *testing.T) {
	t.Parallel()
	h := &home{dir: newTempDir(t), owner: owner{uid: os.Geteuid()}}
	require.NoError(t, h.keepBallast())
	var st syscall.Stat_t
	require.NoError(t, syscall.Stat(h.ballast(), &st))
	require.GreaterOrEqual(t, st.Blocks*512, int64(ballastSize), "the ballast must take real room")

	err := h.noRoom(3<<20, roomToRun)
	require.True(t, fault.Is(err, fault.NoRoom))
	require.ErrorContains(t, err, h.dir)
	require.ErrorContains(t, err, "3 MB are free")
	require.ErrorContains(t, err, "at least 64 MB free")
}

// TestDiskFull fills a real disk, a small one in memory, until the server can write no more.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("only root can mount a small disk")
	}
	dir := newTempDir(t)
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=100m,mode=755"); err != nil {
		t.Skipf("this root may not mount a small disk: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	refused(t, Config{StateDir: dir}, fault.NoRoom)
	require.NoError(t, unix.Mount("tmpfs", dir, "tmpfs", unix.MS_REMOUNT, "size=200m,mode=755"))

	cfg := Config{StateDir: dir}
	c := startCluster(t, cfg)
	require.NoError(t, c.Room())
	require.FileExists(t, c.home.ballast())
	execSQL(t, c, "create table kept (n int, pad text); alter table kept alter pad set storage external")

	free, err := freeBytes(dir)
	require.NoError(t, err)
	filler := filepath.Join(dir, "filler")
	f, err := os.Create(filler)
	require.NoError(t, err)
	require.NoError(t, unix.Fallocate(int(f.Fd()), 0, 0, int64(free)-4<<20))
	require.NoError(t, f.Close())
	require.True(t, fault.Is(c.Room(), fault.NoRoom))

	conn, err := pgx.Connect(t.Context(), c.URL("postgres"))
	require.NoError(t, err)
	acknowledged := 0
	for !conn.IsClosed() {
		if _, err := conn.Exec(t.Context(), "insert into kept select $1, repeat('x', 8000) from generate_series(1, 100)", acknowledged); err == nil {
			acknowledged++
		} else if !conn.IsClosed() {
			// The table found no room; the log of changes comes next.
			_, _ = conn.Exec(t.Context(), "select pg_switch_wal()")
		}
	}
	require.Positive(t, acknowledged)
	c.Kill()

	// Without the ballast there is no way back up: the control that the disk is full indeed.
	ballast := c.home.ballast()
	require.NoError(t, os.Rename(ballast, ballast+".held"))
	refused(t, cfg, fault.NoRoom)
	require.NoError(t, os.Rename(ballast+".held", ballast))

	c = startCluster(t, cfg)
	require.NoFileExists(t, ballast)
	require.True(t, fault.Is(c.Room(), fault.NoRoom))
	require.EqualValues(t, acknowledged, query[int64](t, c, "select count(distinct n) from kept"))

	require.NoError(t, os.Remove(filler))
	require.NoError(t, c.Room())
	require.FileExists(t, ballast)
	require.NoError(t, c.Stop(context.Background()))
}

// TestEnvironment keeps variables that PostgreSQL obeys away from it.
func TestEnvironment(t *testing.T) {
	t.Setenv("PGPORT", "1")
	t.Setenv("NOTIFY_SOCKET", "/run/none")
	cmd := exec.Command("env")
	cmd.Env = environment()
	out, err := cmd.Output()
	require.NoError(t, err)
	require.NotContains(t, string(out), "PGPORT")
	require.NotContains(t, string(out), "NOTIFY_SOCKET")
	require.True(t, strings.Contains(string(out), "LC_ALL=C\n"))
}
