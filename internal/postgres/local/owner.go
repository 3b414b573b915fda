package local

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"

	"readback/internal/fault"
)

// owner is who runs the server and owns its data.
type owner struct {
	uid, gid int
	switched bool // root becomes the account for it
}

// findOwner is the account to use for a process of the given user.
func findOwner(euid int, accountName string) (owner, error) {
	if euid != 0 {
		// initdb and the server look their own user up and give up when it has no name, as in containers that run
		// under a bare number.
		if _, err := user.LookupId(strconv.Itoa(euid)); err != nil {
			return owner{}, fault.New(fault.NoDatabase, fmt.Sprintf("PostgreSQL cannot run as user %d, which has no entry in /etc/passwd. "+
				"Add one, or set DATABASE_URL to a server that runs elsewhere.", euid)).Because(err)
		}
		return owner{uid: euid, gid: os.Getegid()}, nil
	}
	if accountName == "" {
		accountName = "postgres"
	}
	u, err := user.Lookup(accountName)
	if err != nil {
		// Without the account the server is most likely not installed either; its packages bring the account.
		return owner{}, fault.New(fault.NoDatabase, fmt.Sprintf("PostgreSQL does not run as root, and the account %s it would run as does not exist. %s "+
			"(With a PostgreSQL you built yourself: useradd --system %s)", accountName, installHint(), accountName)).Because(err)
	}
	uid, uidErr := strconv.Atoi(u.Uid)
	gid, gidErr := strconv.Atoi(u.Gid)
	if err := errors.Join(uidErr, gidErr); err != nil {
		return owner{}, fmt.Errorf("account %s: %w", accountName, err)
	}
	if uid == 0 {
		return owner{}, fault.New(fault.NoDatabase, fmt.Sprintf("PostgreSQL does not run as root, and the account %s is root.", accountName))
	}
	return owner{uid: uid, gid: gid, switched: true}, nil
}

// folderMode is the mode of the directories that lead to the data.
func (o owner) folderMode() os.FileMode {
	if o.switched {
		return 0o755
	}
	return 0o700
}

// attr makes a child process a process group of its own, so that an interrupt at the terminal reaches it only
// through us, and runs it as the owner.
func (o owner) attr(onParentDeath syscall.Signal) *syscall.SysProcAttr {
	a := &syscall.SysProcAttr{Setpgid: true, Pdeathsig: onParentDeath}
	if o.switched {
		a.Credential = &syscall.Credential{Uid: uint32(o.uid), Gid: uint32(o.gid)}
	}
	return a
}

// own hands a path to the owner.
func (o owner) own(path string) error {
	if !o.switched {
		return nil
	}
	return os.Lchown(path, o.uid, o.gid)
}

// checkPath refuses a path with a directory the account cannot pass through. It looks at mode bits only: passing by
// an access control list is not seen.
func (o owner) checkPath(path string) error {
	if !o.switched {
		return nil
	}
	for d := path; ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if err != nil {
			return unusable(d, err)
		}
		st := info.Sys().(*syscall.Stat_t)
		need := os.FileMode(0o001)
		switch {
		case int(st.Uid) == o.uid:
			need = 0o100
		case int(st.Gid) == o.gid:
			need = 0o010
		}
		if info.Mode()&need == 0 {
			return fault.New(fault.NoDatabase, fmt.Sprintf("The database cannot be kept in %s: root runs PostgreSQL as the account %s, which may not pass through %s. "+
				"Use another state directory, such as /var/lib/readback, or run: chmod o+x '%s'", path, userName(o.uid), d, d),
				fault.Field{Name: "state_dir", Want: "a directory that " + userName(o.uid) + " can reach"})
		}
		if d == filepath.Dir(d) {
			return nil
		}
	}
}

// checkOwner refuses a directory that belongs to another user. Its error is os.ErrNotExist where there is none.
func checkOwner(dir string, uid int) error {
	info, err := os.Lstat(dir)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return err
		}
		return unusable(dir, err)
	}
	st := info.Sys().(*syscall.Stat_t)
	if int(st.Uid) != uid || !info.IsDir() {
		was := "belongs to " + userName(int(st.Uid))
		if !info.IsDir() {
			was = "is no directory"
		}
		return fault.New(fault.WrongServer, fmt.Sprintf("The database in %s %s, but should belong to %s. "+
			"Run as the user it was made by, or name another state directory.", dir, was, userName(uid)),
			fault.Field{Name: "state_dir", Want: "a directory of " + userName(uid) + "'s"})
	}
	return nil
}

// userName is the user's name, or its number where it has none.
func userName(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return u.Username
	}
	return strconv.Itoa(uid)
}
