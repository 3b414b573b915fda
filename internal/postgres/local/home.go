package local

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// homeName is the cluster's folder in the state directory.
const homeName = "postgres"

// home is a cluster's folder, locked by this process from openHome to close.
type home struct {
	dir   string // absolute, without symbolic links
	owner owner
	lock  *os.File
}

func (h *home) data() string    { return filepath.Join(h.dir, "data") }
func (h *home) ballast() string { return filepath.Join(h.dir, "ballast") }

// openHome makes the folder where it is missing, checks that it is ours to use and takes its lock.
func openHome(stateDir, accountName string) (*home, error) {
	if stateDir == "" {
		return nil, fault.New(fault.NoDatabase, "No state directory was named for the private database.",
			fault.Field{Name: "state_dir", Want: "a directory"})
	}
	own, err := findOwner(os.Geteuid(), accountName)
	if err != nil {
		return nil, err
	}
	stateDir, err = filepath.Abs(stateDir)
	if err != nil {
		return nil, fmt.Errorf("find state directory: %w", err)
	}
	if err := makeStateDir(stateDir, own); err != nil {
		return nil, err
	}
	if stateDir, err = filepath.EvalSymlinks(stateDir); err != nil {
		return nil, unusable(stateDir, err)
	}
	if err := own.checkPath(stateDir); err != nil {
		return nil, err
	}
	h := &home{dir: filepath.Join(stateDir, homeName), owner: own}
	if err := makeDir(h.dir, own.folderMode()); err != nil {
		return nil, unusable(h.dir, err)
	}
	if err := checkOwner(h.dir, os.Geteuid()); err != nil {
		return nil, err
	}
	if err := checkOwner(h.data(), own.uid); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	if err := h.takeLock(); err != nil {
		return nil, err
	}
	return h, nil
}

// close gives the lock up.
func (h *home) close() { unlock(h.lock) }

// unlock gives a lock up and closes its file. Closing alone would not do: a process that is just being started holds a copy
// of the file until it runs its program, and with the copy the lock.
func unlock(f *os.File) {
	_ = unix.Flock(int(f.Fd()), unix.LOCK_UN)
	f.Close()
}

// ErrInUse is the cause of the refusal to start a cluster that another process runs. Running finds that one.
var ErrInUse = errors.New("the lock is held")

// A lock refused is asked for again this often, with this pause, before it counts as held.
const (
	lookTries = 10
	lookPause = 10 * time.Millisecond
)

// takeLock takes the folder's lock or names the process that has it. The lock dies with its process, and the server
// does not inherit it.
func (h *home) takeLock() error {
	path := filepath.Join(h.dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return unusable(path, err)
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	for range lookTries { // what refuses may be a look (lockHeld), which is over in microseconds
		if !errors.Is(err, unix.EWOULDBLOCK) {
			break
		}
		time.Sleep(lookPause)
		err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	}
	if errors.Is(err, unix.EWOULDBLOCK) {
		holder := "another process"
		text := make([]byte, 32)
		if n, _ := f.ReadAt(text, 0); n > 0 {
			holder = "process " + strings.TrimSpace(string(text[:n]))
		}
		f.Close()
		return fault.New(fault.NoDatabase, fmt.Sprintf("%s already runs the database in %s. "+
			"Stop it first, or name another state directory.", upperFirst(holder), h.dir)).Because(ErrInUse)
	}
	if err == nil {
		err = stillAt(f, path)
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
	}
	if err != nil {
		unlock(f)
		return unusable(path, err)
	}
	h.lock = f
	return nil
}

// stillAt makes sure that a lock just taken is the one others will find, not one whose folder Remove has deleted since.
func stillAt(f *os.File, path string) error {
	mine, err := f.Stat()
	if err != nil {
		return err
	}
	theirs, err := os.Lstat(path)
	if err == nil && !os.SameFile(mine, theirs) {
		err = os.ErrNotExist
	}
	return err
}

// dataVersion is the major version that made the data directory, or 0 where there is none yet.
func (h *home) dataVersion() (int, error) {
	text, err := os.ReadFile(filepath.Join(h.data(), "PG_VERSION"))
	if errors.Is(err, os.ErrNotExist) {
		// A data directory appears by a rename, so one without its version is no unfinished work of ours. An empty
		// one may be a mount point, which the rename replaces or refuses.
		entries, err := os.ReadDir(h.data())
		if errors.Is(err, os.ErrNotExist) || err == nil && len(entries) == 0 {
			return 0, nil
		}
		if err != nil {
			return 0, unusable(h.data(), err)
		}
		return 0, fault.New(fault.WrongServer, fmt.Sprintf("%s is not a PostgreSQL data directory: it has no PG_VERSION. "+
			"Nothing in it was touched. Put the data back, or move the directory away to begin with an empty database.", h.data()))
	}
	if err != nil {
		return 0, unusable(h.data(), err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || major <= 0 {
		return 0, fault.New(fault.WrongServer, fmt.Sprintf("%s says PostgreSQL version %q, which is none that Readback can run.",
			filepath.Join(h.data(), "PG_VERSION"), strings.TrimSpace(string(text)))).Because(err)
	}
	return major, nil
}

// makeStateDir makes what is missing of the path. As root what is made must be passable for the account whatever the
// umask says.
func makeStateDir(dir string, own owner) error {
	var missing []string
	for d := dir; ; d = filepath.Dir(d) {
		_, err := os.Stat(d)
		if err == nil {
			// Nothing is made in a place the account cannot reach.
			if err := own.checkPath(d); err != nil {
				return err
			}
			break
		}
		if !errors.Is(err, os.ErrNotExist) {
			return unusable(d, err)
		}
		missing = append(missing, d)
	}
	for i := len(missing) - 1; i >= 0; i-- {
		if err := makeDir(missing[i], own.folderMode()); err != nil {
			return unusable(missing[i], err)
		}
	}
	return nil
}

// makeDir makes one directory with exactly the mode, or leaves the one that is there.
func makeDir(dir string, mode os.FileMode) error {
	err := os.Mkdir(dir, mode)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return os.Chmod(dir, mode)
}

// unusable turns a failure of the file system at a path into a refusal that names it.
func unusable(path string, err error) error {
	switch {
	case errors.Is(err, unix.ENOSPC), errors.Is(err, unix.EDQUOT):
		return fault.New(fault.NoRoom, fmt.Sprintf("There is no room left for the database at %s. Free some, or name another state directory.",
			path)).Because(err)
	case errors.Is(err, os.ErrPermission), errors.Is(err, unix.EROFS), errors.Is(err, unix.ENOTDIR), errors.Is(err, unix.ELOOP):
		return fault.New(fault.NoDatabase, fmt.Sprintf("The database cannot be kept at %s: %s.", path, reason(err)),
			fault.Field{Name: "state_dir", Want: "a directory that user " + userName(os.Geteuid()) + " can write to"}).Because(err)
	}
	return fmt.Errorf("use %s: %w", path, err)
}

// reason is the last cause of err in words.
func reason(err error) string {
	var no syscall.Errno
	if errors.As(err, &no) {
		return no.Error()
	}
	return err.Error()
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
