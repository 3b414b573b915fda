package local

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"readback/internal/fault"
)

// oldest is the oldest major version the service's SQL runs on.
const oldest = 14

// binaries are one installation's programs: initdb and postgres must be of the same directory.
type binaries struct {
	dir   string
	major int
}

func (b binaries) path(program string) string { return filepath.Join(b.dir, program) }

// layouts are where distributions put the server when it is not in PATH.
var layouts = []string{
	"/usr/lib/postgresql/*/bin",     // Debian, Ubuntu
	"/usr/pgsql-*/bin",              // PostgreSQL's own RPMs
	"/usr/lib/postgresql[0-9]*/bin", // openSUSE
	"/usr/libexec/postgresql*",      // Alpine
	"/usr/local/pgsql/bin",          // built from source
	"/usr/local/postgresql*/bin",
	"/usr/local/bin",
	"/usr/bin", // Fedora, Arch
}

// findBinaries is the installation to use: dir where it is given, else one of the version that made the data, or the
// newest of the machine if made is 0.
func findBinaries(dir string, made int, own owner) (binaries, error) {
	if dir == "" {
		return choose(installed(own), made)
	}
	b, ok := probe(dir, own)
	if !ok {
		return binaries{}, fault.New(fault.NoDatabase, fmt.Sprintf("There are no working PostgreSQL server programs in %s.", dir),
			fault.Field{Name: "bin_dir", Want: "the directory that holds initdb and postgres"})
	}
	return choose([]binaries{b}, made)
}

func choose(found []binaries, made int) (binaries, error) {
	sort.SliceStable(found, func(i, j int) bool { return found[i].major > found[j].major })
	if len(found) == 0 {
		if made != 0 {
			return binaries{}, fault.New(fault.NoDatabase, fmt.Sprintf("The data was made by PostgreSQL %d, and no PostgreSQL server is installed on this machine. %s",
				made, installHint()))
		}
		return binaries{}, fault.New(fault.NoDatabase, "No PostgreSQL server is installed on this machine. "+installHint())
	}
	if made == 0 {
		if found[0].major < oldest {
			return binaries{}, fault.New(fault.NoDatabase, fmt.Sprintf("The PostgreSQL in %s is version %d; Readback needs %d or newer. %s",
				found[0].dir, found[0].major, oldest, installHint()))
		}
		return found[0], nil
	}
	for _, b := range found {
		if b.major == made {
			if b.major < oldest {
				break
			}
			return b, nil
		}
	}
	if made < oldest {
		return binaries{}, fault.New(fault.WrongServer, fmt.Sprintf("The data was made by PostgreSQL %d; Readback needs %d or newer.", made, oldest))
	}
	return binaries{}, fault.New(fault.WrongServer, fmt.Sprintf("The data was made by PostgreSQL %d, but this machine has only %s. "+
		"Install version %d beside it, or restore a backup into an empty state directory.", made, versions(found), made))
}

func versions(found []binaries) string {
	var s []string
	for _, b := range found {
		s = append(s, fmt.Sprintf("%d (%s)", b.major, b.dir))
	}
	return strings.Join(s, ", ")
}

// installed lists every installation found, each directory once.
func installed(own owner) []binaries {
	var dirs []string
	for _, pattern := range layouts {
		match, _ := filepath.Glob(pattern) // the patterns are well formed
		dirs = append(dirs, match...)
	}
	for _, program := range []string{"postgres", "initdb"} {
		if path, err := exec.LookPath(program); err == nil {
			dirs = append(dirs, filepath.Dir(path))
		}
	}
	found := probeAll(dirs, own)
	if len(found) > 0 {
		return found
	}
	// It costs as much time as the rest of a start, and names a directory that is none of the usual ones.
	if out, err := exec.Command("pg_config", "--bindir").Output(); err == nil {
		return probeAll([]string{strings.TrimSpace(string(out))}, own)
	}
	return nil
}

func probeAll(dirs []string, own owner) []binaries {
	seen := map[string]bool{} // servers and directories, so that a link is not probed again
	var found []binaries
	for _, dir := range dirs {
		server, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
		if err != nil || seen[server] {
			continue
		}
		seen[server] = true
		if b, ok := probe(dir, own); ok && !seen[b.dir] {
			seen[b.dir], seen[b.path("postgres")] = true, true
			found = append(found, b)
		}
	}
	return found
}

// numbered finds the version in the name of a directory whose layout is known.
var numbered = regexp.MustCompile(`^/usr/(?:lib/postgresql/|pgsql-|lib/postgresql|libexec/postgresql)(\d+)(?:/bin)?$`)

// told finds in what `initdb --show` says the version and the directory the programs really stand in.
var told = regexp.MustCompile(`(?m)^VERSION=(\d+)[\s\S]*^PGPATH=(.+)$`)

// probe looks at one directory. A link or a wrapper script may stand in it: initdb itself says where it belongs.
func probe(dir string, own owner) (binaries, bool) {
	for _, program := range []string{"postgres", "initdb"} {
		if unix.Access(filepath.Join(dir, program), unix.X_OK) != nil {
			return binaries{}, false
		}
	}
	if m := numbered.FindStringSubmatch(dir); m != nil {
		major, err := strconv.Atoi(m[1])
		return binaries{dir, major}, err == nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, filepath.Join(dir, "initdb"), "--show", "-D", "/nonexistent")
	cmd.Dir, cmd.Env, cmd.SysProcAttr = "/", environment(), own.attr(0)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if cmd.Run() != nil {
		return binaries{}, false
	}
	m := told.FindStringSubmatch(out.String())
	if m == nil {
		return binaries{}, false
	}
	major, err := strconv.Atoi(m[1])
	return binaries{m[2], major}, err == nil
}

// environment is all that the server's programs get of ours. PostgreSQL would take PGPORT, PGDATA and their like for
// orders, and would tell NOTIFY_SOCKET that the service is ready.
func environment() []string {
	env := []string{"LC_ALL=C", "TZ=UTC"} // messages in English; times of day without a place
	for _, name := range []string{"PATH", "LD_LIBRARY_PATH", "TMPDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// installCommands are how each package manager installs the server, by the manager's program.
var installCommands = []struct{ program, command string }{
	// Without the setting Debian would make and start a cluster of its own.
	{"apt-get", "mkdir -p /etc/postgresql-common/createcluster.d && echo 'create_main_cluster = false' > " +
		"/etc/postgresql-common/createcluster.d/readback.conf && apt-get update && apt-get install -y postgresql"},
	{"dnf", "dnf install -y postgresql-server"},
	{"zypper", "zypper install -y postgresql-server"},
	{"apk", "apk add postgresql"},
	{"pacman", "pacman -S --noconfirm postgresql"},
}

// installHint is a sentence with the one command that installs a server here.
func installHint() string {
	for _, c := range installCommands {
		if _, err := exec.LookPath(c.program); err == nil {
			return "To install it, run as root: " + c.command
		}
	}
	return "Install the PostgreSQL server, version " + strconv.Itoa(oldest) + " or newer."
}
