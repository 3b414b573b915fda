package bench

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/trail"
)

// did is what one way did in one round.
type did struct {
	perSecond float64
	cpu       float64 // of the server's processes, in microseconds for each
}

// timed takes the server's processor time over what run does: so many a second, for so long.
func (d *database) timed(t *testing.T, run func() (done int64, took time.Duration)) did {
	before := serverCPU(t, d.server)
	done, took := run()
	cpu := serverCPU(t, d.server) - before
	return did{perSecond: float64(done) / took.Seconds(), cpu: float64(cpu.Microseconds()) / float64(max(done, 1))}
}

func pick(from []did, of func(did) float64) []float64 {
	v := make([]float64, len(from))
	for i, f := range from {
		v[i] = of(f)
	}
	return v
}

func rate(d did) float64 { return d.perSecond }
func cpu(d did) float64  { return d.cpu }

// appends compares the appender with the ways to do without one.
func appends(t *testing.T, d *database, b *book) {
	ways := []struct {
		name string
		run  func() (int64, time.Duration)
	}{
		{"pgbench, 64 clients, bare inserts", func() (int64, time.Duration) { return d.pgbench(t) }},
		{"a transaction each, 64 at once", func() (int64, time.Duration) { return hammer(t, atOnce, d.each, d.single) }},
		{"the same in one round trip", func() (int64, time.Duration) { return hammer(t, atOnce, d.each, d.singleTrip) }},
		{"appender, 64 in flight", func() (int64, time.Duration) { return hammer(t, 64, d.each, d.won) }},
		{fmt.Sprintf("appender, %d in flight", d.inFlight), func() (int64, time.Duration) { return hammer(t, d.inFlight, d.each, d.won) }},
	}
	d.say("appends", d.rounds, len(ways), d.each)
	got := rounds(d.rounds, d.long, len(ways), func(w int) did { return d.timed(t, ways[w].run) })
	rates := make([][]float64, len(ways))
	for w, way := range ways {
		rates[w] = pick(got[w], rate)
		if rates[w][0] > 0 {
			b.note("%s: %s a second, %s µs of PostgreSQL CPU each", way.name, spread(rates[w], "%.0f"), spread(pick(got[w], cpu), "%.1f"))
		}
	}
	if rates[0][0] > 0 {
		b.put("at-64", ratios(rates[3], rates[0]))
		b.put("at-1000", ratios(rates[4], rates[0]))
	} else {
		b.put("at-64", nil)
		b.put("at-1000", nil)
		b.note("pgbench is not beside the server's programs")
	}
	b.put("at-64-single", ratios(rates[3], rates[1]))
	b.put("at-1000-single", ratios(rates[4], rates[1]))
	b.put("at-1000-trip", ratios(rates[4], rates[2]))
	b.put("cpu-append", ratios(pick(got[4], cpu), pick(got[1], cpu)))
}

// won appends through the appender.
func (d *database) won(ctx context.Context, a live.Append) error {
	got, err := d.db.Append(ctx, a)
	if err == nil && got != live.Won {
		err = fmt.Errorf("outcome %d", got)
	}
	return err
}

const sqlBare = `
insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`

func bareArgs(a live.Append) []any {
	r := a.Record
	return []any{r.Stream, int64(r.Seq), string(r.Kind), r.Type, r.V, r.At, r.Actor, r.CommandID, r.Body, r.Prev[:], r.Hash[:]}
}

// bare is one entry in a commit of its own and nothing else.
func (d *database) bare(ctx context.Context, a live.Append) error {
	_, err := d.pool.Exec(ctx, sqlBare, bareArgs(a)...)
	return err
}

const sqlHead = `
insert into head (stream, kind, org, phase, seq, hash, summary, changed_at)
values ($1, $2, $3, $4, $5, $6, $7, $8)
on conflict (stream) do update set phase = excluded.phase, seq = excluded.seq, hash = excluded.hash,
	summary = excluded.summary, changed_at = excluded.changed_at where head.seq < excluded.seq`

const sqlNotify = `select pg_notify('readback', $1)`

func headArgs(a live.Append) []any {
	r, s := a.Record, a.Summary
	return []any{r.Stream, string(r.Kind), s.Org, s.Phase, int64(r.Seq), r.Hash[:], s.Data, r.At}
}

// single is what a program without an appender does: the same rows and the notification, in a transaction of its own,
// one statement after the other.
func (d *database) single(ctx context.Context, a live.Append) error {
	return pgx.BeginFunc(ctx, d.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sqlBare, bareArgs(a)...); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, sqlHead, headArgs(a)...); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, sqlNotify, a.Record.Stream.String())
		return err
	})
}

// singleTrip is single with all statements sent at once, the best a transaction each can do.
func (d *database) singleTrip(ctx context.Context, a live.Append) error {
	var all pgx.Batch
	all.Queue(sqlBare, bareArgs(a)...)
	all.Queue(sqlHead, headArgs(a)...)
	all.Queue(sqlNotify, a.Record.Stream.String())
	return d.pool.SendBatch(ctx, &all).Close()
}

// line makes the entries of one stream, one after the other, of ordinary size.
type line struct {
	id, org, actor stream.ID
	seq            uint64
	head           stream.Hash
}

func newLine() *line { return &line{id: stream.NewID(), org: stream.NewID(), actor: stream.NewID()} }

var filling = strings.Repeat("x", 500)

func (l *line) next() live.Append {
	body := fmt.Appendf(nil, `{"note":"%s","seq":%d}`, filling, l.seq+1)
	return live.Append{
		Record: trail.Record{
			Stream: l.id, Kind: stream.Calibration, Seq: l.seq + 1, Type: "noted", V: 1,
			At: time.Now().UTC().Truncate(time.Millisecond), Actor: l.actor, CommandID: stream.NewID(),
			Body: body, Prev: l.head, Hash: trail.Sum(l.head, body),
		},
		Summary: stream.Summary{Org: l.org, Phase: "guided",
			Data: map[string]any{"sensor": "front-camera", "stage": "placed", "position": 2, "verdict": "adjust"}},
	}
}

func (l *line) won(a live.Append) { l.seq, l.head = a.Record.Seq, a.Record.Hash }

// hammer appends to so many streams at once, to each its next when the one before is durable.
func hammer(t *testing.T, streams int, each time.Duration, add func(context.Context, live.Append) error) (int64, time.Duration) {
	var done atomic.Int64
	var wg sync.WaitGroup
	begin := time.Now()
	for range streams {
		wg.Go(func() {
			for l := newLine(); time.Since(begin) < each; {
				a := l.next()
				if err := add(t.Context(), a); err != nil {
					t.Error(err)
					return
				}
				l.won(a)
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return done.Load(), time.Since(begin)
}

var processed = regexp.MustCompile(`(?m)^number of transactions actually processed: ([0-9]+)`)
var tps = regexp.MustCompile(`(?m)^tps = ([0-9.]+)`)

// pgbench is PostgreSQL's own measure: one bare insert a commit. Its rate leaves out the time it takes to connect. It
// does nothing where pgbench is not installed.
func (d *database) pgbench(t *testing.T) (int64, time.Duration) {
	program := filepath.Join(d.cluster.BinDir(), "pgbench")
	if _, err := os.Stat(program); errors.Is(err, os.ErrNotExist) {
		return 0, d.each
	}
	script := filepath.Join(t.TempDir(), "insert.sql")
	require.NoError(t, os.WriteFile(script, fmt.Appendf(nil, `
insert into readback.entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
values (gen_random_uuid(), 1, 'calibration', 'noted', 1, now(), gen_random_uuid(), gen_random_uuid(),
	'%s', decode(repeat('00', 32), 'hex'), decode(repeat('00', 32), 'hex'));
`, newLine().next().Record.Body), 0o600))
	args := []string{"-n", "-M", "prepared", "-c", strconv.Itoa(atOnce), "-j", "2", "-f", script}
	if d.long {
		args = append(args, "-T", strconv.Itoa(int(math.Ceil(d.each.Seconds()))))
	} else {
		args = append(args, "-t", "2")
	}
	socket, port, user := d.address(t)
	var out, said bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program, append(args, "-h", socket, "-p", port, "-U", user, "postgres")...)
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Run(), "%s", &said)
	number := func(what *regexp.Regexp) float64 {
		m := what.FindSubmatch(out.Bytes())
		require.NotNil(t, m, "%s", &out)
		v, err := strconv.ParseFloat(string(m[1]), 64)
		require.NoError(t, err)
		return v
	}
	done := number(processed)
	return int64(done), time.Duration(done / number(tps) * float64(time.Second))
}
