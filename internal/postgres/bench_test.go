package postgres

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/postgres/local"
)

// BenchmarkAppend compares the appender with the ways to do without one, on a server that flushes every commit. What a
// machine does in a second varies by a factor of two from one minute to the next, so all take part in every round, in
// another order each time, and what counts is the median of the rounds' ratios, with their range.
func BenchmarkAppend(b *testing.B) {
	const rounds, each = 7, time.Second
	c := start(b, durable(b))
	database := c.URL("postgres")
	_, err := Migrate(b.Context(), database, "")
	require.NoError(b, err)
	d := open(b, database, Options{})
	pool := transactions(b, d)
	server := serverPID(b, database)

	ways := []struct {
		name string
		run  func() float64 // entries per second
	}{
		{"pgbench, 64 clients, bare inserts", func() float64 { return pgbench(b, c, each) }},
		{"a transaction each, 64 at once", func() float64 {
			return hammer(b, 64, each, func(ctx context.Context, a live.Append) error { return alone(ctx, pool, a) })
		}},
		{"appender, 64 in flight", func() float64 { return hammer(b, 64, each, d.mustWin) }},
		{"appender, 1000 in flight", func() float64 { return hammer(b, 1000, each, d.mustWin) }},
	}
	rates, costs := make([][]float64, len(ways)), make([][]float64, len(ways))
	for b.Loop() {
		for round := range rounds {
			for i := range ways {
				w := (i + round) % len(ways)
				before := serverCPU(b, server)
				rate := ways[w].run()
				rates[w] = append(rates[w], rate)
				costs[w] = append(costs[w], float64((serverCPU(b, server)-before).Microseconds())/(rate*each.Seconds()))
			}
		}
	}
	b.Logf("%d rounds of %v each, bodies of %d bytes", len(rates[0]), each, len(padded(newLine()).Record.Body))
	for w, way := range ways {
		b.Logf("%-36s %s entries/s   %s × pgbench   %s × a transaction each   %s µs of server CPU each", way.name,
			spread(rates[w], "%.0f"), spread(ratios(rates[w], rates[0]), "%.2f"), spread(ratios(rates[w], rates[1]), "%.2f"),
			spread(costs[w], "%.1f"))
	}
	s := d.AppendStats()
	b.Logf("appender: %d entries in %d statements, at most %d in one", s.Entries, s.Batches, s.Largest)
	for w, metric := range []string{2: "at-64/pgbench", 3: "at-1000/pgbench"} {
		if metric != "" {
			b.ReportMetric(median(ratios(rates[w], rates[0])), metric)
			b.ReportMetric(median(ratios(rates[w], rates[1])), strings.Replace(metric, "pgbench", "transaction", 1))
		}
	}
	b.ReportMetric(0, "ns/op")
}

// BenchmarkLatency compares how long one entry takes when 200 streams get 5 entries a second each.
func BenchmarkLatency(b *testing.B) {
	const streams, every, rounds, each = 200, 200 * time.Millisecond, 5, 3 * time.Second
	database := start(b, durable(b)).URL("postgres")
	_, err := Migrate(b.Context(), database, "")
	require.NoError(b, err)
	d := open(b, database, Options{})
	pool := transactions(b, d)
	ways := []func(ctx context.Context, a live.Append) error{
		func(ctx context.Context, a live.Append) error { return bare(ctx, pool, a) },
		d.mustWin,
	}
	names := []string{"bare commit", "appender"}
	took := make([][]float64, 2) // milliseconds
	var worse []float64
	for b.Loop() {
		for round := range rounds {
			var p99 [2]float64
			for i := range ways {
				w := (i + round) % 2
				got := paced(b, streams, every, each, ways[w])
				took[w] = append(took[w], got...)
				p99[w] = quantile(got, 0.99)
			}
			worse = append(worse, p99[1]/p99[0])
		}
	}
	for w, name := range names {
		b.Logf("%-12s %d samples: p50 %.2f ms, p99 %.2f ms", name, len(took[w]), quantile(took[w], 0.5), quantile(took[w], 0.99))
	}
	b.Logf("p99 of the appender ÷ p99 of a bare commit: %s", spread(worse, "%.2f"))
	b.ReportMetric(median(worse), "p99/bare-p99")
	b.ReportMetric(0, "ns/op")
}

func (d *DB) mustWin(ctx context.Context, a live.Append) error {
	got, err := d.Append(ctx, a)
	if err == nil && got != live.Won {
		err = fmt.Errorf("outcome %d", got)
	}
	return err
}

// transactions are 64 connections in the role that appends.
func transactions(b *testing.B, d *DB) *pgxpool.Pool {
	b.Helper()
	pool, err := d.pool(b.Context(), writerRole, 64)
	require.NoError(b, err)
	b.Cleanup(pool.Close)
	return pool
}

const sqlBare = `
insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`

func bareArgs(a live.Append) []any {
	r := a.Record
	return []any{given(r.Stream), int64(r.Seq), string(r.Kind), r.Type, r.V, r.At, given(r.Actor), given(r.CommandID),
		r.Body, r.Prev[:], r.Hash[:]}
}

// bare is one entry in a commit of its own and nothing else.
func bare(ctx context.Context, pool *pgxpool.Pool, a live.Append) error {
	_, err := pool.Exec(ctx, sqlBare, bareArgs(a)...)
	return err
}

// alone is what a program without an appender does: the same rows and the notification, in a transaction of its own.
func alone(ctx context.Context, pool *pgxpool.Pool, a live.Append) error {
	tx, err := pool.Begin(ctx)
	if err != nil {
		return err
	}
	defer tx.Rollback(context.WithoutCancel(ctx))
	if _, err := tx.Exec(ctx, sqlBare, bareArgs(a)...); err != nil {
		return err
	}
	r, s := a.Record, a.Summary
	if _, err := tx.Exec(ctx, `
		insert into head (stream, kind, org, phase, seq, hash, summary, changed_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8)
		on conflict (stream) do update set phase = excluded.phase, seq = excluded.seq, hash = excluded.hash,
			summary = excluded.summary, changed_at = excluded.changed_at where head.seq < excluded.seq`,
		given(r.Stream), string(r.Kind), given(s.Org), s.Phase, int64(r.Seq), r.Hash[:], s.Data, r.At); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `select pg_notify('readback', $1)`, r.Stream.String()); err != nil {
		return err
	}
	return tx.Commit(ctx)
}

// padded is a next entry of ordinary size.
func padded(l *line) live.Append {
	a := l.next(strings.Repeat("x", 500))
	a.Summary.Data = map[string]any{"sensor": "front-camera", "stage": "placed", "position": 2, "verdict": "adjust"}
	return a
}

// hammer appends from so many streams at once, each its next when the one before is durable.
func hammer(b *testing.B, streams int, each time.Duration, add func(context.Context, live.Append) error) float64 {
	b.Helper()
	var done atomic.Int64
	var wg sync.WaitGroup
	begin := time.Now()
	for range streams {
		wg.Go(func() {
			for l := newLine(); time.Since(begin) < each; {
				a := padded(l)
				if err := add(b.Context(), a); err != nil {
					b.Error(err)
					return
				}
				l.won(a)
				done.Add(1)
			}
		})
	}
	wg.Wait()
	return float64(done.Load()) / time.Since(begin).Seconds()
}

// paced appends to so many streams, to each at regular times, and gives how long each took after its time had come.
func paced(b *testing.B, streams int, every, each time.Duration, add func(context.Context, live.Append) error) []float64 {
	b.Helper()
	var mu sync.Mutex
	var took []float64
	var wg sync.WaitGroup
	begin := time.Now()
	for i := range streams {
		wg.Go(func() {
			l := newLine()
			for due := begin.Add(every * time.Duration(i) / time.Duration(streams)); due.Sub(begin) < each; due = due.Add(every) {
				<-time.After(time.Until(due))
				a := padded(l)
				if err := add(b.Context(), a); err != nil {
					b.Error(err)
					return
				}
				l.won(a)
				ms := time.Since(due).Seconds() * 1e3
				mu.Lock()
				took = append(took, ms)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return took
}

var tps = regexp.MustCompile(`(?m)^tps = ([0-9.]+)`)

// pgbench is PostgreSQL's own measure: one bare insert a commit, 64 clients.
func pgbench(b *testing.B, c *local.Cluster, each time.Duration) float64 {
	b.Helper()
	script := filepath.Join(b.TempDir(), "insert.sql")
	require.NoError(b, os.WriteFile(script, fmt.Appendf(nil, `
insert into readback.entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
values (gen_random_uuid(), 1, 'calibration', 'noted', 1, now(), gen_random_uuid(), gen_random_uuid(),
	'%s', decode(repeat('00', 32), 'hex'), decode(repeat('00', 32), 'hex'));
`, padded(newLine()).Record.Body), 0o600))
	u, err := url.Parse(c.URL("postgres"))
	require.NoError(b, err)
	var out, said bytes.Buffer
	cmd := exec.CommandContext(b.Context(), filepath.Join(c.BinDir(), "pgbench"), "-n", "-M", "prepared", "-c", "64", "-j", "2",
		"-T", strconv.Itoa(int(each.Seconds())), "-f", script, "-h", u.Query().Get("host"), "-p", u.Query().Get("port"),
		"-U", u.User.Username(), "postgres")
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(b, cmd.Run(), "%s", &said)
	m := tps.FindSubmatch(out.Bytes())
	require.NotNil(b, m, "%s", &out)
	rate, err := strconv.ParseFloat(string(m[1]), 64)
	require.NoError(b, err)
	return rate
}

func serverPID(b *testing.B, database string) int {
	b.Helper()
	pid, err := strconv.Atoi(one[string](b, superuser(b, database), `select split_part(pg_read_file('postmaster.pid'), E'\n', 1)`))
	require.NoError(b, err)
	return pid
}

// serverCPU is the processor time the server's processes have used, those that ended included: fields 14 to 17 of
// /proc/PID/stat (proc(5)), in hundredths of a second.
func serverCPU(b *testing.B, postmaster int) time.Duration {
	b.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(b, err)
	var ticks int64
	for _, path := range stats {
		text, err := os.ReadFile(path)
		if err != nil {
			continue // it ended
		}
		_, after, _ := bytes.Cut(text, []byte(") "))
		f := strings.Fields(string(after)) // from field 3 on
		parent, _ := strconv.Atoi(f[1])
		pid, _ := strconv.Atoi(filepath.Base(filepath.Dir(path)))
		if pid != postmaster && parent != postmaster {
			continue
		}
		for _, field := range f[11:15] {
			n, err := strconv.ParseInt(field, 10, 64)
			require.NoError(b, err)
			ticks += n
		}
	}
	return time.Duration(ticks) * 10 * time.Millisecond
}

func ratios(a, b []float64) []float64 {
	r := make([]float64, len(a))
	for i := range a {
		r[i] = a[i] / b[i]
	}
	return r
}

func median(v []float64) float64 { return quantile(v, 0.5) }

func quantile(v []float64, q float64) float64 {
	s := slices.Sorted(slices.Values(v))
	return s[min(int(q*float64(len(s))), len(s)-1)]
}

// spread is the median with the range.
func spread(v []float64, verb string) string {
	return fmt.Sprintf(verb+" ("+verb+"–"+verb+")", median(v), slices.Min(v), slices.Max(v))
}
