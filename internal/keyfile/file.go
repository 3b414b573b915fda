package keyfile

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

const maxFile = 64 << 10

// ErrPermissions is what opening says of a file that others may read, or that belongs to someone else.
var ErrPermissions = errors.New("a key file must belong to the account that uses it and be closed to all others")

// Create writes the keys to a new file. A file that is already there is left alone: the error is fs.ErrExist then, also
// when two processes try at once. Once Create returns nil the file survives a crash; before, it is there whole or not
// at all.
func Create(path string, k *Keys) error {
	// The name is linked, not renamed to, because a link never replaces what is there.
	return write(path, k, os.Link)
}

// ErrBusy is what Update says while another process changes the same file.
var ErrBusy = errors.New("the key file is being changed by another process")

// Update writes what change makes of the keys over an existing file, which holds either all of the old or all of the new
// at any time. It refuses what Open refuses, and a link, which it would put a file in place of.
func Update(path string, change func(*Keys) (*Keys, error)) error {
	named, err := os.Lstat(path)
	if err != nil {
		return fmt.Errorf("open key file: %w", err)
	}
	if named.Mode()&fs.ModeSymlink != 0 {
		return fmt.Errorf("key file %s: it is a link; name the file that it leads to", path)
	}
	old, err := Open(path)
	if err != nil {
		return err
	}
	held, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("open key file: %w", err)
	}
	defer held.Close() // unlocks
	if err := syscall.Flock(int(held.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		return fmt.Errorf("key file %s: %w", path, ErrBusy)
	}
	// Whoever changed it between Open and the lock has put another file in its place.
	now, err := os.Lstat(path)
	if err != nil || !os.SameFile(named, now) {
		return errors.Join(fmt.Errorf("key file %s: %w", path, ErrBusy), err)
	}
	next, err := change(old)
	if err != nil {
		return err
	}
	return write(path, next, os.Rename)
}

func write(path string, k *Keys, name func(from, to string) error) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write key file %s: %w", path, err)
		}
	}()
	var suffix [8]byte
	if _, err := rand.Read(suffix[:]); err != nil {
		return err
	}
	temp := path + ".new-" + hex.EncodeToString(suffix[:])
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer os.Remove(temp) // gone already after a rename
	_, err = f.Write(k.text())
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := name(temp, path); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// Open reads a key file. It refuses one that is not a plain file, that another account owns or that others may read or
// write.
func Open(path string) (*Keys, error) {
	// Not blocking, so that a pipe in its place is refused and not waited for.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("open key file: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("open key file: %w", err)
	}
	stat, _ := info.Sys().(*syscall.Stat_t)
	switch mode := info.Mode(); {
	case !mode.IsRegular():
		return nil, fmt.Errorf("key file %s: it is a %s, not a plain file", path, kindOf(mode))
	case mode.Perm()&0o077 != 0:
		return nil, fmt.Errorf("key file %s: its mode is %04o, want 0600 (chmod 600): %w", path, mode.Perm(), ErrPermissions)
	case stat == nil || int(stat.Uid) != os.Geteuid():
		return nil, fmt.Errorf("key file %s: it belongs to another account than number %d, which runs this: %w", path, os.Geteuid(), ErrPermissions)
	}
	text, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("read key file %s: %w", path, err)
	case len(text) > maxFile:
		return nil, fmt.Errorf("key file %s: it is larger than %d bytes", path, maxFile)
	}
	k, err := parse(text)
	if err != nil {
		return nil, fmt.Errorf("key file %s: %w", path, err)
	}
	return k, nil
}

func kindOf(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "directory"
	case m&fs.ModeNamedPipe != 0:
		return "pipe"
	}
	return "special file"
}
