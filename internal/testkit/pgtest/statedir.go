package pgtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"readback/internal/postgres/local"
)

const (
	// dirPrefix begins the name of a cluster's directory; the id of the process it belongs to follows.
	dirPrefix = "readback-pgtest-"

	// memoryDir is a file system in memory on most Linux machines. A copy of a database is 350 files, and making those
	// takes 15 ms there where a disk's file system may need 300 ms.
	memoryDir = "/dev/shm"

	// memoryRoom is what must be free in it: a cluster is 40 MB, a copy 8 MB. Containers often have only 64 MB.
	memoryRoom = 2 << 30
)

// place is the directory under which clusters are made: TMPDIR if it is set, else memory if there is plenty, else the
// system's temporary directory.
func place() string {
	var fs unix.Statfs_t
	if os.Getenv("TMPDIR") == "" && unix.Statfs(memoryDir, &fs) == nil && fs.Type == unix.TMPFS_MAGIC &&
		fs.Bavail*uint64(fs.Bsize) >= memoryRoom && unix.Access(memoryDir, unix.W_OK|unix.X_OK) == nil {
		return memoryDir
	}
	return os.TempDir()
}

// newStateDir is a directory for a cluster. Its name tells removeLeftovers whose it is; as root it must be passable for
// the account that runs the server.
func newStateDir() (string, error) {
	dir, err := os.MkdirTemp(place(), fmt.Sprintf("%s%d-*", dirPrefix, os.Getpid()))
	if err != nil {
		return "", fmt.Errorf("make a directory for the test server: %w", err)
	}
	if os.Geteuid() == 0 {
		if err := os.Chmod(dir, 0o755); err != nil {
			return "", fmt.Errorf("open the test server's directory to its account: %w", err)
		}
	}
	return dir, nil
}

// removeLeftovers removes the clusters of test processes that were killed. A directory is provably such a one if it
// belongs to this user, its name names a process that is gone, and nobody holds its lock. What cannot be removed is left
// for the next run: it does this run no harm.
func removeLeftovers(ctx context.Context) {
	for _, parent := range []string{memoryDir, os.TempDir()} {
		names, err := filepath.Glob(filepath.Join(parent, dirPrefix+"*"))
		if err != nil {
			continue // a temporary directory with the characters of a pattern in its name
		}
		for _, dir := range names {
			if isLeftover(dir) {
				_ = local.Remove(ctx, dir, "") // refuses if the lock is held
			}
		}
	}
}

func isLeftover(dir string) bool {
	number, _, _ := strings.Cut(strings.TrimPrefix(filepath.Base(dir), dirPrefix), "-")
	pid, err := strconv.Atoi(number)
	if err != nil || pid <= 0 || !errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return false
	}
	info, err := os.Lstat(dir)
	return err == nil && info.IsDir() && int(info.Sys().(*syscall.Stat_t).Uid) == os.Geteuid()
}
