package demo

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

var seeds = flag.Uint64("seeds", 0, "plays each story with the seeds from 1 to this instead of the few of every run")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// program builds the program as users run it.
func program(t *testing.T) string {
	t.Helper()
	exe := filepath.Join(t.TempDir(), "readback")
	cmd := exec.Command("go", "build", "-o", exe, "readback/cmd/readback")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, string(out))
	return exe
}

// stage is a directory that the database's account can pass through.
func stage(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "readback-demo-test-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o711))
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// TestFirstStory plays the first story: other readings, the same story.
func TestFirstStory(t *testing.T) {
	t.Parallel()
	extra := map[uint64]int{13: 2, 19: 1} // measured, and the seed draws every reading
	playSeeds(t, theFirst(), []uint64{1, 2, 7, 13, 19}, extra, func(s *story, dir string, out *bytes.Buffer) (Outcome, error) {
		told, err := s.tell(t.Context(), dir)
		if err == nil {
			require.Equal(t, []string{"adjust", "remeasure", "within", "within", "within"}, story5(s.verdicts), out)
			require.Contains(t, out.String(), "Not proven.")
		}
		return told, err
	})
}

// playSeeds plays a story on one server with each seed, or with seeds 1 to -seeds if that is given. Extra says how many
// rounds beyond the story's own a seed needs.
func playSeeds(t *testing.T, c cast, short []uint64, extra map[uint64]int,
	tell func(*story, string, *bytes.Buffer) (Outcome, error)) {
	p, err := begin(t.Context(), program(t), stage(t), c)
	require.NoError(t, err)
	defer func() {
		p.end(&err)
		require.NoError(t, err)
	}()
	if *seeds > 0 {
		short = nil
		for seed := range *seeds {
			short = append(short, seed+1)
		}
	}
	told := map[string]bool{}
	for _, seed := range short {
		var out bytes.Buffer
		got, err := tell(p.story(&tale{out: &out}, seed), t.TempDir(), &out)
		require.NoError(t, err, "seed %d\n%s", seed, out.String())
		require.LessOrEqual(t, got.Lines, 60, "seed %d\n%s", seed, out.String())
		require.Contains(t, out.String(), "Proven.")
		for line := range strings.Lines(out.String()) {
			require.LessOrEqual(t, utf8.RuneCountInString(line), width+len("\n"), line)
		}
		if *seeds <= 20 { // of those beyond, nobody has counted
			require.Equal(t, extra[seed], got.Extra, "seed %d", seed)
		}
		told[out.String()] = true
	}
	require.Len(t, told, len(short))
}

// story5 leaves out what an extra round adds: it keeps the first adjust, the first remeasure and what is within.
func story5(verdicts []string) (kept []string) {
	seen := map[string]bool{}
	for _, v := range verdicts {
		if v == "within" || (v == "adjust" || v == "remeasure") && !seen[v] {
			kept = append(kept, v)
		}
		seen[v] = true
	}
	return kept
}

// TestTwoAtOnce plays the whole demo twice side by side, as two users of one machine would.
func TestTwoAtOnce(t *testing.T) {
	exe := program(t)
	temp := stage(t)
	t.Setenv("TMPDIR", temp)
	errs := make(chan error, 2)
	for seed := range uint64(2) {
		go func() {
			var out bytes.Buffer
			_, err := Play(t.Context(), Options{Exe: exe, Story: First, Seed: seed + 1, Out: &out, Dir: filepath.Join(temp, fmt.Sprint("out", seed))})
			errs <- err
		}()
	}
	require.NoError(t, <-errs)
	require.NoError(t, <-errs)
	left, err := filepath.Glob(filepath.Join(temp, "readback-*"))
	require.NoError(t, err)
	require.Empty(t, left, "a demo left something behind")
}
