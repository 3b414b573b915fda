package cli_test

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/cli"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
)

// TestMain makes the test binary stand in for the program: in a script, and in PATH, readback is the real main.
func TestMain(m *testing.M) {
	testscript.Main(apptest.Wrap(m), map[string]func(){"readback": func() { os.Exit(cli.Main()) }})
}

// TestScripts runs testdata/cli. Beside testscript's own commands and variables a script has
//
//	exits STATUS COMMAND…   the exact exit status
//	replace FILE OLD NEW    the first OLD in FILE, which must be there
//	flip FILE               one bit of the byte in the middle
//	sql URL STATEMENT       as superuser
//
//	$CASES        the folder of placement cases
//	$IMPORT       the folder of import documents
//	$PROCEDURES   the folder of procedures
//	$EMPTY_URL    a database of the script's own with nothing in it
//	$WORLD_URL    one with shop, desk and one claimed calibration, whose key file is $WORLD_KEYS
//
// and in its own folder bundle.zip, that calibration's, with signer.txt and stranger.txt, the right key and another.
func TestScripts(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)
	_, stranger, err := note.GenerateKey(rand.Reader, "stranger.example")
	require.NoError(t, err)
	files := map[string]string{
		"bundle.zip":   tech.Get(cal.Path() + "/bundle").Body,
		"signer.txt":   s.Nobody().Get("/v1/trail-key").Body,
		"stranger.txt": "# somebody else's\n" + stranger + "\n",
	}
	require.NoError(t, s.Stop())
	databases := make(chan string, 100)
	scripts, err := filepath.Glob(filepath.Join(apptest.Root(), "testdata/cli/*.txtar"))
	require.NoError(t, err)
	for range scripts {
		databases <- pgtest.Empty(t)
	}
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join(apptest.Root(), "testdata", "cli"),
		Setup: func(e *testscript.Env) error {
			for name, text := range files {
				if err := os.WriteFile(filepath.Join(e.WorkDir, name), []byte(text), 0o600); err != nil {
					return err
				}
			}
			e.Vars = append(e.Vars,
				"CASES="+filepath.Join(apptest.Root(), "testdata", "placement"), "PROCEDURES="+filepath.Join(apptest.Root(), "testdata", "procedures"), "IMPORT="+filepath.Join(apptest.Root(), "testdata", "import"),
				"EMPTY_URL="+<-databases, "WORLD_URL="+s.Config.DatabaseURL, "WORLD_KEYS="+s.Config.KeyFile,
				"READBACK_STATE_DIR="+filepath.Join(e.WorkDir, "state"), "READBACK_LISTEN=127.0.0.1:0",
				"READBACK_LOG=error") // the test server is one that warns of itself
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"exits": exits, "replace": replace, "flip": flip, "sql": sql},
	})
}

func exits(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var exit *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

func replace(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	text := ts.ReadFile(path)
	if !strings.Contains(text, args[1]) {
		ts.Fatalf("%s has no %q", args[0], args[1])
	}
	ts.Check(os.WriteFile(path, []byte(strings.Replace(text, args[1], args[2], 1)), 0o600))
}

func flip(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	text := []byte(ts.ReadFile(path))
	text[len(text)/2] ^= 1
	ts.Check(os.WriteFile(path, text, 0o600))
}

func sql(ts *testscript.TestScript, refused bool, args []string) {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, args[0])
	ts.Check(err)
	defer conn.Close(ctx)
	if _, err = conn.Exec(ctx, args[1]); (err != nil) != refused {
		ts.Fatalf("sql: %v", err)
	}
}

// TestServe runs the program as a process of its own and ends it in both ways.
func TestServe(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	require.NoError(t, s.Stop())
	for name, c := range map[string]struct {
		args []string
		end  func(*exec.Cmd, func() error) error
	}{
		"told to end":        {[]string{"serve"}, func(cmd *exec.Cmd, _ func() error) error { return cmd.Process.Signal(syscall.SIGTERM) }},
		"its parent is gone": {[]string{"serve", "--while-stdin-open"}, func(_ *exec.Cmd, closeStdin func() error) error { return closeStdin() }},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cmd := exec.Command("readback", c.args...)
			cmd.Env = append(os.Environ(), "DATABASE_URL="+s.Config.DatabaseURL, "READBACK_KEY_FILE="+s.Config.KeyFile,
				"READBACK_STATE_DIR="+t.TempDir(), "READBACK_LISTEN=127.0.0.1:0",
				"READBACK_LOG=error") // the test server is one that warns of itself
			cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
			cmd.Stderr = t.Output()
			in, err := cmd.StdinPipe()
			require.NoError(t, err)
			out, err := cmd.StdoutPipe()
			require.NoError(t, err)
			require.NoError(t, cmd.Start())
			line, err := bufio.NewReader(out).ReadString('\n')
			require.NoError(t, err)
			var url string
			_, err = fmt.Sscanf(line, "Readback serves on %s\n", &url)
			require.NoError(t, err, line)
			ready, err := http.Get(url + "readyz")
			require.NoError(t, err)
			ready.Body.Close()
			require.Equal(t, http.StatusOK, ready.StatusCode)
			require.NoError(t, c.end(cmd, in.Close))
			require.NoError(t, cmd.Wait(), "exit status 0")
		})
	}
}
