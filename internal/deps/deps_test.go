package deps

import (
	"bufio"
	"bytes"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// layer says how far from the pure core a package may stand. A package imports only packages of its own layer or of a
// lower one; adapters never import each other unless friends says so.
type layer int

const (
	core layer = iota
	runtime
	adapter
	edge
)

// layers has a row for every package of the program: a new package must be given its place here.
var layers = map[string]layer{
	"internal/fault":       core,
	"internal/pace":        core,
	"internal/strict":      core,
	"internal/quantity":    core,
	"internal/figure":      core,
	"internal/geom":        core,
	"internal/adjust":      core,
	"internal/metrology":   core,
	"internal/vehicle":     core,
	"internal/photo":       core,
	"internal/placement":   core,
	"internal/procedure":   core,
	"internal/drive":       core,
	"internal/access":      core,
	"internal/dispatch":    core,
	"internal/session":     core,
	"internal/stream":      core,
	"internal/register":    core,
	"internal/job":         core,
	"internal/calibration": core,
	"internal/phrase":      core,
	"internal/trail":       core,
	"internal/proof":       core,
	"internal/notice":      core,
	"internal/wire":        core,
	"api":                  core, // texts only

	"internal/live": runtime,

	"migrations":              adapter,
	"internal/postgres":       adapter,
	"internal/postgres/local": adapter,
	"internal/keyfile":        adapter,
	"internal/device":         adapter,
	"internal/token":          adapter,
	"internal/account":        adapter,
	"internal/wsconn":         adapter,
	"internal/httpapi":        adapter,
	"internal/apidoc":         adapter,
	"internal/yamljson":       adapter,
	"internal/webui":          adapter,
	"internal/notify":         adapter,
	"internal/mail":           adapter,
	"api/client":              adapter,

	"internal/config": edge,
	"internal/app":    edge,
	"internal/cli":    edge,
	"internal/demo":   edge,
	"cmd/readback":    edge,

	"internal/deps":              edge,
	"internal/bench":             edge,
	"internal/faults":            edge,
	"internal/outsider":          edge,
	"internal/tenancy":           edge,
	"internal/testkit/postbox":   edge,
	"internal/testkit/pgtest":    edge,
	"internal/testkit/apptest":   edge,
	"internal/testkit/board":     edge,
	"internal/testkit/memstore":  edge,
	"internal/testkit/storetest": edge,
	"internal/testkit/toyserver": edge,
	"internal/testkit/spec":      edge,
}

// friends are the adapters that may stand on another adapter, with the reason.
var friends = map[string][]string{
	"internal/postgres": {"migrations", "internal/notify", "internal/device"},                                            // runs them; keeps deliveries, as package notify names them
	"internal/account":  {"internal/token"},                                                                              // a session hands access tokens out
	"internal/wsconn":   {"internal/token"},                                                                              // a socket may bring its token in the first frame
	"internal/httpapi":  {"internal/token", "internal/account", "internal/device", "internal/wsconn", "internal/apidoc"}, // sign-in; mounts the socket; the page of the interfaces
}

// impure are the standard packages the core has no business with.
var impure = []string{"net", "net/http", "os", "os/exec", "database/sql", "log", "log/slog", "time/tzdata", "syscall"}

type pkg struct {
	ImportPath string
	Standard   bool
	Imports    []string
}

func list(t *testing.T, args ...string) []pkg {
	t.Helper()
	cmd := exec.Command("go", append([]string{"list", "-json=ImportPath,Standard,Imports"}, args...)...)
	cmd.Dir = root(t)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())
	var pkgs []pkg
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		if err := d.Decode(&p); err == io.EOF {
			return pkgs
		} else {
			require.NoError(t, err)
		}
		pkgs = append(pkgs, p)
	}
}

func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	return filepath.Dir(filepath.Dir(dir))
}

func TestImportDirections(t *testing.T) {
	t.Parallel()
	for _, p := range list(t, "./...") {
		name := strings.TrimPrefix(p.ImportPath, "readback/")
		from, ok := layers[name]
		if !ok {
			t.Errorf("%s has no layer: give it a row in this test", name)
			continue
		}
		for _, imp := range p.Imports {
			if from == core && slices.Contains(impure, imp) && !(name == "internal/stream" && imp == "time") {
				t.Errorf("%s is core and imports %s", name, imp)
			}
			to, ours := strings.CutPrefix(imp, "readback/")
			if !ours {
				continue
			}
			switch at := layers[to]; {
			case at > from:
				t.Errorf("%s imports %s, which stands further out", name, to)
			case at == adapter && from == adapter && !slices.Contains(friends[name], to):
				t.Errorf("%s and %s are both adapters: they meet in app", name, to)
			}
		}
	}
}

// TestDirectModules compares go.mod's direct modules with the list a reviewer agreed to, in modules.txt beside this
// test: a line each, with the reason.
func TestDirectModules(t *testing.T) {
	t.Parallel()
	f, err := os.Open("modules.txt")
	require.NoError(t, err)
	defer f.Close()
	var agreed []string
	for s := bufio.NewScanner(f); s.Scan(); {
		line := strings.TrimSpace(s.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		module, reason, ok := strings.Cut(line, " ")
		require.True(t, ok && strings.TrimSpace(reason) != "", "%s: say why it is here", module)
		agreed = append(agreed, module)
	}
	cmd := exec.Command("go", "list", "-m", "-f", "{{if and (not .Indirect) (not .Main)}}{{.Path}}{{end}}", "all")
	cmd.Dir = root(t)
	out, err := cmd.Output()
	require.NoError(t, err)
	direct := strings.Fields(string(out))
	sort.Strings(agreed)
	sort.Strings(direct)
	require.Equal(t, agreed, direct)
}

// TestNoTestCodeInTheBinary keeps test libraries out of what users run.
func TestNoTestCodeInTheBinary(t *testing.T) {
	t.Parallel()
	for _, p := range list(t, "-deps", "./cmd/readback") {
		for _, banned := range []string{"github.com/stretchr/testify", "pgregory.net/rapid", "go.uber.org/goleak", "readback/internal/testkit", "github.com/gowebpki/jcs", "github.com/chromedp", "github.com/getkin", "github.com/santhosh-tekuri", "testing"} {
			if p.ImportPath == banned || strings.HasPrefix(p.ImportPath, banned+"/") {
				t.Errorf("the program links %s", p.ImportPath)
			}
		}
	}
}

func TestTopLevel(t *testing.T) {
	t.Parallel()
	allowed := []string{"cmd", "internal", "api", "migrations", "deploy", "testdata", "docs", "go.mod", "go.sum",
		"Makefile", "README.md", "DEVELOPERS.md", "LICENSE"}
	built := []string{"bin", "demo-out"} // made by make, ignored by git
	entries, err := os.ReadDir(root(t))
	require.NoError(t, err)
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(allowed, e.Name()) && !slices.Contains(built, e.Name()) {
			t.Errorf("%s does not belong at the top level", e.Name())
		}
	}
}
