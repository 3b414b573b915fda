package bench

import (
	"flag"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

var long = flag.Bool("long", false, "measure, for some minutes; otherwise only see that the measurements work")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// effort is how long and how often is measured.
type effort struct {
	long     bool
	rounds   int           // that count
	each     time.Duration // of one way in one round
	paced    time.Duration // the same, where latency is measured
	inFlight int           // the larger number of appends at once
	pairs    int           // calibrations open at once over websockets
	steady   int           // calibrations with a command at regular times
	starts   int           // rounds of first starts
}

func efforts() effort {
	if *long {
		return effort{long: true, rounds: 7, each: 2 * time.Second, paced: 4 * time.Second, inFlight: 1000, pairs: 1000, steady: 200, starts: 7}
	}
	return effort{rounds: 1, each: 50 * time.Millisecond, paced: 250 * time.Millisecond, inFlight: 100, pairs: 8, steady: 8, starts: 1}
}

// say tells whoever waits what is measured now.
func (e effort) say(what string, rounds, ways int, each time.Duration) {
	if !e.long {
		return
	}
	took := ""
	if each > 0 {
		took = fmt.Sprintf(" of %v", each)
	}
	fmt.Printf("%s: %d rounds, %d ways in each%s\n", what, rounds, ways, took)
}

// rounds gives what each way gave in each round that counts: [way][round].
func rounds[T any](n int, warm bool, ways int, run func(way int) T) [][]T {
	got := make([][]T, ways)
	if warm {
		for w := range ways {
			run(w)
		}
	}
	for round := range n {
		for i := range ways {
			w := (i + round) % ways
			got[w] = append(got[w], run(w))
		}
	}
	return got
}

// TestBench fails if something could not be measured, not if a goal is not met: that is for the reader of the table.
func TestBench(t *testing.T) {
	e := efforts()
	b := book{instant: !e.long}
	before := look(t)
	var bin string
	t.Run("service", func(t *testing.T) { bin = service(t, e, &b) })
	t.Run("adjustment", func(t *testing.T) { adjustment(t, e, &b) })
	t.Run("first start", func(t *testing.T) { firstStart(t, e, bin, &b) })
	after := look(t)
	to := t.Output()
	if e.long {
		to = os.Stdout
	}
	require.NoError(t, b.print(to, before, after))
	if e.long {
		return
	}
	for _, g := range goals {
		f, there := b.found[g.id]
		require.True(t, there, g.what)
		for _, v := range f.rounds {
			require.False(t, v < 0, g.what) // no CPU at all may have been seen in an instant
		}
	}
}
