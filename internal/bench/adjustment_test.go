package bench

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/adjust"
	"readback/internal/placement"
	"readback/internal/testkit/board"
)

// adjustment compares estimate, covariance and redundancy of one case with the same through gonum, and times whole
// checks. The first case of the examples has eleven readings of a board that is within its limits; advice and suspects
// make others dearer.
func adjustment(t *testing.T, e effort, b *book) {
	net := board.Case()
	var solver adjust.Solver
	var s adjust.Solution
	first := decode(t, "../../testdata/placement/001.case.json")
	ways := []func(){
		func() { solver.Solve(&s, net) },
		func() { board.ThroughGonum(net) },
		func() { check(t, first) },
	}
	each := min(e.each, 200*time.Millisecond)
	e.say("adjustment", e.rounds, len(ways), each)
	took := rounds(e.rounds, e.long, len(ways), func(w int) float64 { return perCall(each, ways[w]) })
	require.True(t, s.Settled)
	b.put("gonum", ratios(took[1], took[0]))
	b.put("allocations", []float64{testing.AllocsPerRun(100, ways[0])})
	b.put("check", took[2])
	b.note("adjustment: ours %s µs, gonum %s µs", spread(took[0], "%.1f"), spread(took[1], "%.1f"))

	paths, err := filepath.Glob("../../testdata/placement/*.case.json")
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	var every []float64
	slowest := 0
	for i, path := range paths {
		c := decode(t, path)
		every = append(every, perCall(each/50, func() { check(t, c) }))
		if every[i] > every[slowest] {
			slowest = i
		}
	}
	b.note("whole checks of all %d example cases: median %.0f µs, slowest %.0f µs (%s)", len(every), median(every), every[slowest],
		strings.TrimSuffix(filepath.Base(paths[slowest]), ".case.json"))
}

func decode(t *testing.T, path string) placement.Case {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	c, err := placement.DecodeCase(raw)
	require.NoError(t, err)
	return c
}

func check(t *testing.T, c placement.Case) {
	if _, err := placement.Check(c); err != nil {
		t.Fatal(err)
	}
}

// perCall is how long f takes, in microseconds.
func perCall(each time.Duration, f func()) float64 {
	f()
	n, begin := 0, time.Now()
	for time.Since(begin) < each {
		for range 8 {
			f()
		}
		n += 8
	}
	return time.Since(begin).Seconds() * 1e6 / float64(n)
}
