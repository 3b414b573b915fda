package local

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const (
	// pollEvery is how often state that only files and /proc show is looked at.
	pollEvery = 2 * time.Millisecond

	// quitPatience is how long a leftover server may take to quit before it is killed; PostgreSQL itself gives its own
	// children five seconds.
	quitPatience = 6 * time.Second
)

// clearLeftovers ends the server a killed predecessor left in the data directory, and removes locks that would keep
// the next one from starting. The caller holds the folder's lock, so no live Readback runs that server.
func (h *home) clearLeftovers(ctx context.Context) error {
	if err := stopServersIn(ctx, h.data()); err != nil {
		return err
	}
	if err := removeStaleLock(filepath.Join(h.data(), "postmaster.pid")); err != nil {
		return err
	}
	for _, dir := range []string{h.nearSocketDir(), h.farSocketDir()} {
		if err := removeStaleLock(filepath.Join(dir, socketName+".lock")); err != nil {
			return err
		}
	}
	return nil
}

// removeStaleLock removes a server's lock file that names a process which exists, now that no server runs: the number
// went to another process, or its own is a zombie that nobody has waited for, and PostgreSQL would take either for a
// running server. A lock whose process is gone is left to PostgreSQL, which first makes sure that nobody uses the
// shared memory it names.
func removeStaleLock(path string) error {
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return unusable(path, err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimPrefix(first, "-"))
	if err == nil && errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return nil
	}
	if err := os.Remove(path); err != nil {
		return unusable(path, err)
	}
	return nil
}

// stopServersIn ends every PostgreSQL process that works in the directory and waits until none is left.
func stopServersIn(ctx context.Context, dir string) error {
	began := time.Now()
	told := map[int]bool{}
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		pids, err := serversIn(dir)
		if err != nil {
			return err
		}
		if len(pids) == 0 {
			return nil
		}
		for _, pid := range pids {
			switch {
			case time.Since(began) > quitPatience:
				_ = syscall.Kill(pid, syscall.SIGKILL)
			case !told[pid]:
				told[pid] = true
				_ = syscall.Kill(pid, quitStop)
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return fmt.Errorf("wait for the server left over in %s (processes %v): %w", dir, pids, context.Cause(ctx))
		}
	}
}

// serversIn lists the PostgreSQL processes whose working directory is dir: every process of a server has its data
// directory as its own. Zombies have none, and a shell that stands in the directory is no server.
func serversIn(dir string) ([]int, error) {
	want, err := os.Stat(dir)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, unusable(dir, err)
	}
	proc, err := os.Open("/proc")
	if err != nil {
		return nil, fmt.Errorf("look for running servers: %w", err)
	}
	defer proc.Close()
	names, err := proc.Readdirnames(-1)
	if err != nil {
		return nil, fmt.Errorf("look for running servers: %w", err)
	}
	var pids []int
	for _, name := range names {
		pid, err := strconv.Atoi(name)
		if err != nil {
			continue
		}
		// Errors are processes that have ended, or other users'.
		cwd, err := os.Stat("/proc/" + name + "/cwd")
		if err != nil || !os.SameFile(cwd, want) {
			continue
		}
		exe, err := os.Readlink("/proc/" + name + "/exe")
		if err == nil && filepath.Base(strings.TrimSuffix(exe, " (deleted)")) == "postgres" {
			pids = append(pids, pid)
		}
	}
	return pids, nil
}
