package local

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// unfinished begins the name of a data directory in the making.
const unfinished = "data.new-"

// create makes the data directory beside its place and renames it there, so that it is whole or not there at all, also
// when the machine loses power.
func (h *home) create(ctx context.Context, bins binaries, fastUnsafe bool) error {
	if err := h.roomToCreate(); err != nil {
		return err
	}
	dir, err := os.MkdirTemp(h.dir, unfinished)
	if err != nil {
		return unusable(h.dir, err)
	}
	defer os.RemoveAll(dir) // nothing is there after the rename
	if err := h.owner.own(dir); err != nil {
		return unusable(dir, err)
	}
	if err := h.initdb(ctx, bins, dir, fastUnsafe); err != nil {
		return err
	}
	if !fastUnsafe {
		if err := syncFileSystem(dir); err != nil {
			return unusable(dir, err)
		}
	}
	if err := os.Rename(dir, h.data()); err != nil {
		return unusable(h.data(), err)
	}
	if !fastUnsafe {
		if err := syncDir(h.dir); err != nil {
			return unusable(h.dir, err)
		}
	}
	return nil
}

// initdb fills dir. The cluster is UTF-8 with byte order as its collation: the same on every machine, and indexes do
// not break when the C library is updated.
func (h *home) initdb(ctx context.Context, bins binaries, dir string, fastUnsafe bool) error {
	args := []string{"-D", dir, "-U", Superuser, "--encoding=UTF8", "--no-locale", "--no-sync", "--no-instructions",
		"--auth-local=trust", "--auth-host=reject"}
	if !fastUnsafe {
		args = append(args, "--data-checksums")
	}
	cmd := exec.Command(bins.path("initdb"), args...)
	cmd.Dir, cmd.Env = h.dir, environment()
	cmd.SysProcAttr = h.owner.attr(syscall.SIGKILL) // the next start removes what it leaves
	cmd.WaitDelay = time.Second
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	c, err := spawn(cmd)
	if err != nil {
		return cannotRun(bins.path("initdb"), err)
	}
	select {
	case <-c.done:
	case <-ctx.Done():
		c.killGroup()
		return fmt.Errorf("make the data directory: %w", context.Cause(ctx))
	}
	if c.err == nil {
		return nil
	}
	said := fmt.Errorf("initdb: %w: %s", c.err, strings.TrimSpace(out.String()))
	if saysNoRoom(out.String()) {
		return fault.New(fault.NoRoom, fmt.Sprintf("There is no room left for the database at %s. Free some, or name another state directory.",
			h.dir)).Because(said)
	}
	return fault.New(fault.NoDatabase, fmt.Sprintf("PostgreSQL could not make a database in %s: %s", h.dir, lastLine(out.String()))).Because(said)
}

// clearUnfinished removes data directories that a killed start left half made.
func (h *home) clearUnfinished(ctx context.Context) error {
	left, err := filepath.Glob(filepath.Join(escapeGlob(h.dir), unfinished+"*"))
	if err != nil {
		return fmt.Errorf("look for unfinished data directories: %w", err)
	}
	for _, dir := range left {
		if err := stopServersIn(ctx, dir); err != nil {
			return err
		}
		if err := os.RemoveAll(dir); err != nil {
			return unusable(dir, err)
		}
	}
	return nil
}

var globMeta = strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`)

func escapeGlob(path string) string { return globMeta.Replace(path) }

// cannotRun turns the failure to start a program into a refusal.
func cannotRun(program string, err error) error {
	detail := fmt.Sprintf("%s cannot be run: %s.", program, reason(err))
	if errors.Is(err, unix.EPERM) && os.Geteuid() == 0 {
		detail += " This root may not change to another user; start Readback as a plain user instead."
	}
	return fault.New(fault.NoDatabase, detail).Because(err)
}

// saysNoRoom finds ENOSPC in what a server program said, for which it has no exit status of its own.
func saysNoRoom(said string) bool {
	return strings.Contains(said, "No space left on device") || strings.Contains(said, "Disk quota exceeded")
}

func lastLine(text string) string {
	text = strings.TrimSpace(text)
	return text[strings.LastIndexByte(text, '\n')+1:]
}

// syncFileSystem makes everything written to dir's file system durable: one call in place of a thousand.
func syncFileSystem(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return unix.Syncfs(int(d.Fd()))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
