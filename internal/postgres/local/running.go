package local

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// Running gives the URL by which a role connects to a database of the cluster that another process runs in the state
// directory. It starts nothing, changes nothing and waits for nothing: a cluster that no process runs, or that is not up
// yet, is refused.
func Running(stateDir, role, database string) (string, error) {
	stateDir, err := filepath.Abs(stateDir)
	if err != nil {
		return "", fmt.Errorf("find state directory: %w", err)
	}
	if real, err := filepath.EvalSymlinks(stateDir); err == nil {
		stateDir = real
	}
	h := &home{dir: filepath.Join(stateDir, homeName)}
	held, err := h.lockHeld()
	if err != nil {
		return "", err
	}
	if !held {
		return "", fault.New(fault.NoDatabase, fmt.Sprintf("No process runs a database in %s.", h.dir))
	}
	text, err := os.ReadFile(filepath.Join(h.data(), "postmaster.pid"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return "", unusable(h.data(), err)
	}
	socket, up := socketOf(string(text))
	if !up {
		return "", fault.New(fault.NotReady, fmt.Sprintf("The database in %s is starting or stopping. Try again in a moment.", h.dir))
	}
	return urlAs(socket, role, database), nil
}

// Made reports whether the state directory has a cluster, whether or not it runs.
func Made(stateDir string) (bool, error) {
	data := filepath.Join(stateDir, homeName, "data")
	_, err := os.Stat(data)
	switch {
	case err == nil:
		return true, nil
	case errors.Is(err, os.ErrNotExist):
		return false, nil
	}
	return false, unusable(data, err)
}

// lockHeld reports whether a process runs the cluster. The look takes a shared lock for a moment, which is refused while
// somebody holds the exclusive one; whoever starts the cluster in that moment asks again.
func (h *home) lockHeld() (bool, error) {
	path := filepath.Join(h.dir, "lock")
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NOFOLLOW, 0)
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, unusable(path, err)
	}
	defer unlock(f)
	err = unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return true, nil
	}
	if err != nil {
		return false, unusable(path, err)
	}
	return false, nil
}

// socketOf reads a server's postmaster.pid: its fifth line is the socket's directory, its eighth the server's state
// (PostgreSQL's src/include/utils/pidfile.h).
func socketOf(pidFile string) (dir string, up bool) {
	const socketLine, stateLine = 4, 7
	lines := strings.Split(pidFile, "\n")
	if len(lines) <= stateLine || lines[socketLine] == "" {
		return "", false
	}
	return lines[socketLine], strings.TrimSpace(lines[stateLine]) == "ready"
}
