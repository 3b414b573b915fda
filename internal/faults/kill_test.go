package faults

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
)

// A point is where something is killed: when so many commands have been sent, and then so long after the last byte of
// the command that was the last of them. Without a delay it is killed before the writing goroutine goes on.
type point struct {
	after int
	kill  string
	delay time.Duration
}

const (
	theServer   = "server"
	thePostgres = "PostgreSQL"

	// perRun is how many points lie in one calibration of two cars. A server whose database ends by itself five times
	// within a minute gives up, as it should; with two in each run there are never more than four between two of its lives.
	perRun = 4

	longestDelay = 5 * time.Millisecond // about the time from a command to its answer, several times over
)

// pointsOf draws the points of a run. A third of them have no delay.
func pointsOf(random *rand.Rand, n int) []point {
	victims := []string{theServer, thePostgres, theServer, thePostgres}
	random.Shuffle(len(victims), func(i, j int) { victims[i], victims[j] = victims[j], victims[i] })
	const part = 2 * leastCommands / perRun
	out := make([]point, n)
	for i := range out {
		out[i] = point{after: i*part + 1 + random.IntN(part-8), kill: victims[i]}
		if random.IntN(3) > 0 {
			out[i].delay = time.Duration(random.Int64N(int64(longestDelay)))
		}
	}
	return out
}

// killer kills at the points, starts the server again where it was the victim, and times how long it took until a
// command was acknowledged by what came back.
type killer struct {
	place *place
	ctx   context.Context
	hit   chan point

	mu     sync.Mutex // guards what follows
	points []point
	base   int       // commands sent before the run
	busy   bool      // from a point on until something is acknowledged again
	back   bool      // the victim of that point is there again
	struck time.Time // when it was killed
	victim string
	took   map[string][]time.Duration // by victim
	faults []error                    // of killing and starting
}

// written is told of each new command by the tap, behind its last byte.
func (k *killer) written(n int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.busy || len(k.points) == 0 || n-k.base < k.points[0].after {
		return
	}
	p := k.points[0]
	k.points, k.busy, k.back = k.points[1:], true, false
	if p.delay == 0 {
		k.strike(p)
		return
	}
	time.AfterFunc(p.delay, func() {
		k.mu.Lock()
		defer k.mu.Unlock()
		k.strike(p)
	})
}

// strike is called with mu held.
func (k *killer) strike(p point) {
	kill := k.place.killServer
	if p.kill == thePostgres {
		kill = k.place.killPostgres
	}
	k.struck, k.victim = time.Now(), p.kill
	if err := kill(); err != nil {
		k.faults = append(k.faults, err)
	}
	k.hit <- p
}

// revive runs until hit is closed.
func (k *killer) revive() {
	for p := range k.hit {
		var err error
		if p.kill == theServer {
			<-k.place.serving().done
			err = k.place.start(k.ctx)
		} else {
			select {
			case <-k.place.back:
			case <-k.place.serving().done:
				err = fmt.Errorf("the server gave up: %w", k.place.serving().err)
			case <-k.ctx.Done():
				err = k.ctx.Err()
			}
		}
		k.mu.Lock()
		k.back = err == nil
		if err != nil {
			k.faults = append(k.faults, err)
		}
		k.mu.Unlock()
	}
}

// accepted is told of each acknowledgement. The killed server's own may still be on their way.
func (k *killer) accepted(on *tapped) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if !k.busy || !k.back || k.victim == theServer && on.born.Before(k.struck) {
		return
	}
	k.busy = false
	k.took[k.victim] = append(k.took[k.victim], time.Since(k.struck))
}

// TestKillSeries kills the server or PostgreSQL at seeded points of calibrations.
func TestKillSeries(t *testing.T) {
	t.Parallel()
	began := time.Now()
	t.Logf("seed %d", *seed)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute+time.Duration(*points)*5*time.Second)
	defer cancel()
	p := newPlace(t)
	require.NoError(t, p.start(ctx))
	k := &killer{place: p, ctx: ctx, hit: make(chan point, 1), took: map[string][]time.Duration{}}
	var reviving sync.WaitGroup
	reviving.Go(k.revive)
	defer func() { close(k.hit); reviving.Wait() }()
	tap := &tap{ledger: newLedger(), written: k.written, accepted: k.accepted}
	crew := p.crew(ctx, tap)
	streams := map[client.Ref]*client.Client{}
	for run := 0; run*perRun < *points; run++ {
		random := rand.New(rand.NewPCG(*seed, uint64(run)))
		todo := pointsOf(random, min(perRun, *points-run*perRun))
		k.mu.Lock()
		k.points, k.base = slices.Clone(todo), tap.ledger.commands()
		k.mu.Unlock()
		for ref, c := range crew.work(ctx, t) {
			streams[ref] = c
		}
		k.mu.Lock()
		require.Empty(t, k.faults, "run %d: %v", run, todo)
		require.Empty(t, k.points, "run %d: the script is too short for %v", run, todo)
		require.False(t, k.busy, "run %d: nothing was acknowledged after the last of %v", run, todo)
		k.mu.Unlock()
	}
	acknowledged := tap.ledger.audit(ctx, t, streams)
	for problem := range tap.ledger.refusals {
		require.Equal(t, "/problems/not-ready", problem)
	}
	verifyBundles(ctx, t, p, streams)
	p.stop()
	t.Log(p.run("verify", "--database"))
	t.Logf("%d points in %.1f s: %d entries acknowledged, %d commands sent again, %d repeated answers, refused %v",
		*points, time.Since(began).Seconds(), acknowledged, tap.ledger.resent, tap.ledger.repeated, tap.ledger.refusals)
	killed := 0
	for victim, took := range k.took {
		killed += len(took)
		slices.Sort(took)
		t.Logf("%s killed %d times: acknowledging again after %d ms in the median, %d ms at worst", victim, len(took),
			took[len(took)/2].Milliseconds(), took[len(took)-1].Milliseconds())
	}
	require.Equal(t, *points, killed)
}

// verifyBundles lets the program prove every calibration off-line.
func verifyBundles(ctx context.Context, t *testing.T, p *place, streams map[client.Ref]*client.Client) {
	t.Helper()
	dir := t.TempDir()
	write := func(name string, get func(f *os.File) error) string {
		f, err := os.Create(filepath.Join(dir, name))
		require.NoError(t, err)
		require.NoError(t, get(f))
		require.NoError(t, f.Close())
		return f.Name()
	}
	for ref, c := range streams {
		if ref.Kind != "calibration" {
			continue
		}
		key := write("signer.txt", func(f *os.File) error { return c.Download(ctx, "/v1/trail-key", f) })
		bundle := write("bundle.zip", func(f *os.File) error { return c.Bundle(ctx, ref.ID, f) })
		require.Contains(t, p.run("verify", "--key", key, bundle), "Proven.")
	}
}
