package faults

import (
	"context"
	"errors"
	"fmt"
	"maps"
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

// A point is when something is killed: when so many commands have been sent, and then so long after the last byte of
// the command that was the last of them. Without a delay it is killed before the writing goroutine goes on.
type point struct {
	after int
	kill  string
	delay time.Duration
	again time.Duration // if not 0: so long after the blow, while all is coming back, the server is killed
}

const (
	theServer   = "server"
	thePostgres = "PostgreSQL"

	// perRun is how many points lie in one calibration of two cars. A server whose database ends by itself five times
	// within a minute gives up, as it should; with two in each run there are never more than four between two of its lives.
	perRun = 4

	longestDelay = 5 * time.Millisecond   // a command is answered well within it
	longestAgain = 400 * time.Millisecond // coming back takes about as long
)

// pointsOf draws the points of a run. A third of them have no delay.
func pointsOf(random *rand.Rand, n int, twice bool) []point {
	victims := []string{theServer, thePostgres, theServer, thePostgres}
	random.Shuffle(len(victims), func(i, j int) { victims[i], victims[j] = victims[j], victims[i] })
	const part = 2 * leastCommands / perRun
	out := make([]point, n)
	for i := range out {
		out[i] = point{after: i*part + 1 + random.IntN(part-8), kill: victims[i]}
		if random.IntN(3) > 0 {
			out[i].delay = time.Duration(random.Int64N(int64(longestDelay)))
		}
		if twice {
			out[i].again = 1 + time.Duration(random.Int64N(int64(longestAgain)))
		}
	}
	return out
}

// killer kills at the points, starts the server again where it was killed, and times how long it took until a command
// was acknowledged by what came back.
type killer struct {
	place *place
	ctx   context.Context
	hit   chan point // holds one

	mu       sync.Mutex // guards what follows
	points   []point
	base     int   // commands sent before the run
	busy     bool  // from a point on until something is acknowledged again
	back     bool  // what was killed at that point is there again
	struckAt point // the newest
	struck   time.Time
	took     map[string][]time.Duration // by what was killed
	faults   []error                    // of killing and starting
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
	if k.ctx.Err() != nil {
		return
	}
	kill := k.place.killServer
	if p.kill == thePostgres {
		kill = k.place.killPostgres
	}
	select {
	case <-k.place.back: // of an earlier point, where nobody waited for it
	default:
	}
	k.struck, k.struckAt = time.Now(), p
	if err := kill(); err != nil {
		k.faults = append(k.faults, err)
	}
	k.hit <- p
}

// revive runs until ctx ends.
func (k *killer) revive() {
	for {
		select {
		case p := <-k.hit:
			err := k.bringBack(p)
			k.mu.Lock()
			k.back = err == nil
			if err != nil {
				k.faults = append(k.faults, err)
			}
			k.mu.Unlock()
		case <-k.ctx.Done():
			return
		}
	}
}

func (k *killer) bringBack(p point) error {
	if p.kill == thePostgres && p.again == 0 {
		select {
		case <-k.place.back:
			return nil
		case <-k.place.serving().done:
			return fmt.Errorf("the server gave up: %w", k.place.serving().err)
		case <-k.ctx.Done():
			return k.ctx.Err()
		}
	}
	if p.kill == theServer {
		<-k.place.serving().done
	}
	if p.again > 0 {
		if p.kill == theServer {
			if _, err := k.place.launch(); err != nil {
				return err
			}
		}
		<-time.After(p.again)
		if err := k.place.killServer(); err != nil {
			return err
		}
		<-k.place.serving().done
	}
	return k.place.start(k.ctx)
}

// accepted is told of each acknowledgement. Those of a server that was killed may still be on their way.
func (k *killer) accepted(on *tapped) {
	k.mu.Lock()
	defer k.mu.Unlock()
	p := k.struckAt
	if !k.busy || !k.back || (p.kill == theServer || p.again > 0) && on.born.Before(k.struck) {
		return
	}
	k.busy = false
	what := p.kill
	if p.again > 0 {
		what += ", then the server while coming back,"
	}
	k.took[what] = append(k.took[what], time.Since(k.struck))
}

// owes is true while something is killed and nothing was acknowledged since.
func (k *killer) owes() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.busy && len(k.faults) == 0
}

// done says what is wrong after a run.
func (k *killer) done() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	switch {
	case len(k.faults) > 0:
		return errors.Join(k.faults...)
	case len(k.points) > 0:
		return errors.New("the script is too short for the points")
	case k.busy:
		return errors.New("nothing was acknowledged after the last point")
	}
	return nil
}

// TestKillSeries kills the server or PostgreSQL at seeded points of calibrations.
func TestKillSeries(t *testing.T) {
	t.Parallel()
	killSeries(t, *points, false)
}

// TestKillWhileComingBack kills the server once more before it has recovered from the first blow.
func TestKillWhileComingBack(t *testing.T) {
	t.Parallel()
	killSeries(t, max(perRun, *points/perRun), true)
}

func killSeries(t *testing.T, n int, twice bool) {
	began := time.Now()
	t.Logf("seed %d", *seed)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute+time.Duration(n)*5*time.Second)
	p := newPlace(t)
	require.NoError(t, p.start(ctx))
	k := &killer{place: p, ctx: ctx, hit: make(chan point, 1), took: map[string][]time.Duration{}}
	var reviving sync.WaitGroup
	reviving.Go(k.revive)
	defer reviving.Wait()
	defer cancel()
	tap := &tap{ledger: newLedger(), written: k.written, accepted: k.accepted}
	crew := p.crew(ctx, tap)
	streams := map[client.Ref]*client.Client{}
	for run := 0; run*perRun < n; run++ {
		random := rand.New(rand.NewPCG(*seed, uint64(run)))
		todo := pointsOf(random, min(perRun, n-run*perRun), twice)
		k.mu.Lock()
		k.points, k.base = slices.Clone(todo), tap.ledger.commands()
		k.mu.Unlock()
		maps.Copy(streams, crew.work(ctx, t, k.owes))
		require.NoError(t, k.done(), "run %d: %v", run, todo)
	}
	acknowledged := tap.ledger.audit(ctx, t, streams)
	tap.ledger.onlyNotReady(t)
	verifyBundles(ctx, t, p, streams)
	p.stop()
	p.run("verify", "--database")
	t.Logf("%d points in %.1f s: %d entries acknowledged, %d commands sent again, %d repeated answers, %d times not ready",
		n, time.Since(began).Seconds(), acknowledged, tap.ledger.resent, tap.ledger.repeated, tap.ledger.refusals[notReady])
	killed := 0
	for what, took := range k.took {
		killed += len(took)
		slices.Sort(took)
		t.Logf("%s killed %d times: acknowledging again after %d ms in the median, %d ms at worst", what, len(took),
			took[len(took)/2].Milliseconds(), took[len(took)-1].Milliseconds())
	}
	require.Equal(t, n, killed)
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
