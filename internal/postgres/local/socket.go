package local

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"readback/internal/fault"
)

const (
	socketName = ".s.PGSQL." + port

	// socketPathMax is Linux's limit for the path of a socket, in bytes (struct sockaddr_un holds 108 with the final NUL).
	socketPathMax = 107
)

func (h *home) nearSocketDir() string { return filepath.Join(h.dir, "run") }

// farSocketDir is where the socket goes when the folder's path cannot hold it. The name depends on the folder alone, so
// that the next start finds what this one left.
func (h *home) farSocketDir() string {
	sum := sha256.Sum256([]byte(h.dir))
	name := "readback-" + hex.EncodeToString(sum[:8])
	if dir := filepath.Join(os.TempDir(), name); fitsSocket(dir) {
		return dir
	}
	return filepath.Join("/tmp", name)
}

// fitsSocket reports whether a socket in dir can be named to the server, libpq and pgx: short enough, and without the
// characters that their lists of directories and hosts give a meaning.
func fitsSocket(dir string) bool {
	return len(filepath.Join(dir, socketName)) <= socketPathMax && !strings.ContainsAny(dir, ",\"'\\\n\r")
}

// socketDir makes the socket's directory: mode 0700 and the owner's, which is all that keeps other users out.
func (h *home) socketDir() (string, error) {
	dir := h.nearSocketDir()
	if !fitsSocket(dir) {
		dir = h.farSocketDir()
	}
	err := os.Mkdir(dir, 0o700)
	switch {
	case err == nil:
		if err := h.owner.own(dir); err != nil {
			return "", unusable(dir, err)
		}
		return dir, nil
	case !errors.Is(err, os.ErrExist):
		return "", unusable(dir, err)
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return "", unusable(dir, err)
	}
	if st := info.Sys().(*syscall.Stat_t); !info.IsDir() || int(st.Uid) != h.owner.uid || info.Mode().Perm() != 0o700 {
		return "", fault.New(fault.NoDatabase, fmt.Sprintf("%s is in the way: the database's socket needs it as a directory of %s's with mode 0700. Remove it.",
			dir, userName(h.owner.uid)))
	}
	return dir, nil
}

// removeSocketDir leaves nothing of ours in the directory for temporary files.
func (c *Cluster) removeSocketDir() {
	if c.socket != c.home.nearSocketDir() {
		_ = os.RemoveAll(c.socket) // the next start takes it as it is
	}
}
