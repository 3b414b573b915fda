package local

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"syscall"

	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// A server that finds no room for its log of changes stops by panic, and every restart fails the same way, since
// recovering writes too. Two things stand against it: the service asks Room before it takes a command, and the
// cluster keeps a file, the ballast, whose room it gives to the server at a start that finds the disk full. While it is
// full the service then runs, but takes no commands.

// Bytes on disk.
const (
	// ballastSize is more than one segment of the server's log (16 MB), which is what recovering may need.
	ballastSize = 20 << 20

	// roomToRun is below what no more commands are taken: two segments, and as much again for tables and the checkpoint.
	roomToRun = 64 << 20

	// createSize is what a new cluster takes (39 MB with PostgreSQL 15) with its ballast and the room to run.
	createSize = 64<<20 + ballastSize + roomToRun
)

// Room refuses with no-room while the data's disk is nearly full. Once there is room again it restores the ballast.
// It costs two system calls and may be asked before each command.
func (c *Cluster) Room() error {
	free, err := freeBytes(c.home.dir)
	if err != nil {
		return err
	}
	if free < roomToRun {
		return c.home.noRoom(free, roomToRun)
	}
	if err := c.home.keepBallast(); err != nil {
		c.log.Warn("no ballast against a full disk", "error", err)
	}
	return nil
}

func (h *home) roomToCreate() error {
	free, err := freeBytes(h.dir)
	if err != nil {
		return err
	}
	if free < createSize {
		return h.noRoom(free, createSize)
	}
	return nil
}

func (h *home) noRoom(free, want uint64) error {
	return fault.New(fault.NoRoom, fmt.Sprintf("There is too little room for the database in %s: %d MB are free. Free some.", h.dir, free>>20),
		fault.Field{Name: "state_dir", Want: fmt.Sprintf("at least %d MB free", want>>20)})
}

// freeBytes is what the owner of the data, who may not use the part reserved for root, can still write.
func freeBytes(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, unusable(dir, err)
	}
	return st.Bavail * uint64(st.Bsize), nil
}

// giveBallastIfFull frees the ballast's room for a server that might not start without.
func (h *home) giveBallastIfFull(log *slog.Logger) error {
	free, err := freeBytes(h.dir)
	if err != nil {
		return err
	}
	if free >= ballastSize {
		return nil
	}
	err = os.Remove(h.ballast())
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return unusable(h.ballast(), err)
	}
	log.Warn("the disk is full: gave up the ballast so that the database can start", "dir", h.dir, "free_bytes", free)
	return nil
}

// keepBallast makes the ballast unless it is there or would itself leave too little room.
func (h *home) keepBallast() error {
	if info, err := os.Lstat(h.ballast()); err == nil && info.Size() == ballastSize {
		return nil
	}
	free, err := freeBytes(h.dir)
	if err != nil {
		return err
	}
	if free < ballastSize+roomToRun {
		return nil
	}
	f, err := os.OpenFile(h.ballast(), os.O_RDWR|os.O_CREATE|os.O_TRUNC|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return unusable(h.ballast(), err)
	}
	err = allocate(f, ballastSize)
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err == nil {
		// Root owns the folder; a quota on the account must count the ballast as its own.
		err = h.owner.own(h.ballast())
	}
	if err != nil {
		return errors.Join(unusable(h.ballast(), err), os.Remove(h.ballast()))
	}
	return nil
}

// allocate gives the file real room. Where the file system cannot reserve it, bytes that do not compress take it.
func allocate(f *os.File, size int64) error {
	err := unix.Fallocate(int(f.Fd()), 0, 0, size)
	if !errors.Is(err, unix.EOPNOTSUPP) && !errors.Is(err, unix.ENOSYS) {
		return err
	}
	_, err = io.CopyN(f, rand.Reader, size)
	return err
}
