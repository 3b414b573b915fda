package demo

import (
	"bytes"
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

// TestTwentySeeds plays the story for seeds 1 to 20 on one server: other readings, the same story.
func TestTwentySeeds(t *testing.T) {
	t.Parallel()
	p, err := begin(t.Context(), program(t), stage(t), theFirst())
	require.NoError(t, err)
	defer func() {
		p.end(&err)
		require.NoError(t, err)
	}()
	extra := map[uint64]int{}
	told := map[string]bool{}
	for seed := uint64(1); seed <= 20; seed++ {
		var out bytes.Buffer
		s := p.story(&tale{out: &out}, seed)
		got, err := s.tell(t.Context(), t.TempDir())
		require.NoError(t, err, "seed %d\n%s", seed, out.String())
		require.Equal(t, []string{"adjust", "remeasure", "within", "within", "within"}, story5(s.verdicts), "seed %d", seed)
		require.Contains(t, out.String(), "Proven.")
		require.Contains(t, out.String(), "Not proven.")
		require.LessOrEqual(t, got.Lines, 60, "seed %d", seed)
		for _, line := range strings.Split(out.String(), "\n") {
			require.LessOrEqual(t, utf8.RuneCountInString(line), width, line)
		}
		if got.Extra > 0 {
			extra[seed] = got.Extra
		}
		told[out.String()] = true
	}
	require.Equal(t, map[uint64]int{13: 2, 19: 1}, extra, "rounds beyond the story's own, by seed: measured, and the seed draws every reading")
	require.Len(t, told, 20)
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
