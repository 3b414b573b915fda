package postgres

import (
	"fmt"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

// BenchmarkRowSecurity measures what row-level security costs a reader: each query on behalf of an organisation, and the
// same in the role that sees all, one after the other in turns. "ratio" is of the medians; "cpu-ratio" is of the processor time
// of the two server processes, on which it depends less how busy the machine is. The queue is compared with the two queries
// that it takes without a function that knows whom it is for.
func BenchmarkRowSecurity(b *testing.B) {
	url := pgtest.Database(b)
	many(b, url, 20_000)
	d := open(b, url, Options{ReaderConns: 1, HubConns: 1})
	id := func(text string) stream.ID { id, err := stream.ParseID("id", text); require.NoError(b, err); return id }
	shop, desk := id(organisation(3)), id(organisation(7))
	calibration := id(one[string](b, superuser(b, url), `select stream::text from head where kind = 'calibration' order by stream limit 1`))
	owner := id(one[string](b, superuser(b, url), `select org::text from head where kind = 'calibration' order by stream limit 1`))

	const shopsOf = `select stream from head where kind = 'register' and summary -> 'agreements' @> to_jsonb($1::uuid::text) order by stream`
	const waiting = `
		select h.* from unnest($1::uuid[]) as shop (id) cross join lateral (
			select ` + headColumns + ` from head where org = shop.id and queued_at is not null
			order by due_at, stream limit $2) as h
		order by h.due_at, h.stream limit $2`
	list := func(pool *pgxpool.Pool, sql string, args ...any) (int, error) {
		rows, err := pool.Query(b.Context(), sql, args...)
		all, err := collect(heads(rows, err))
		return len(all), err
	}
	filter := func(f Filter) (whole, secured func() (int, error)) {
		sql, args, err := f.query()
		require.NoError(b, err)
		asking := shop
		if f.Desk != nil {
			asking = desk
		}
		return func() (int, error) { return list(d.hub, sql, args) },
			func() (int, error) { all, err := d.For(asking).Heads(b.Context(), f); return len(all), err }
	}
	ownWhole, ownSecured := filter(Filter{Org: &shop, Kind: stream.Calibration})
	deskWhole, deskSecured := filter(Filter{Desk: &desk, Kind: stream.Calibration})
	for _, c := range []struct {
		name           string
		whole, secured func() (int, error)
	}{
		{"own list of 50", ownWhole, ownSecured},
		{"claimed list of 50", deskWhole, deskSecured},
		{"queue", func() (int, error) {
			rows, err := d.hub.Query(b.Context(), shopsOf, given(desk))
			require.NoError(b, err)
			shops, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
			require.NoError(b, err)
			return list(d.hub, waiting, shops, 50)
		}, func() (int, error) { all, err := d.For(desk).Waiting(b.Context(), Turn{}, 50); return len(all), err }},
		{"100 entries", func() (int, error) {
			all, err := d.Load(b.Context(), stream.Ref{Kind: stream.Calibration, ID: calibration}, 0, 500)
			return len(all), err
		}, func() (int, error) {
			all, err := d.LoadFor(b.Context(), owner, stream.Ref{Kind: stream.Calibration, ID: calibration}, 0, 500)
			return len(all), err
		}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var took [2][]time.Duration
			before := [2]time.Duration{onProcessor(b, d.hub), onProcessor(b, d.reader)}
			for b.Loop() {
				var got [2]int
				for w, way := range []func() (int, error){c.whole, c.secured} {
					began := time.Now()
					n, err := way()
					took[w] = append(took[w], time.Since(began))
					require.NoError(b, err)
					got[w] = n
				}
				require.Equal(b, got[0], got[1])
				require.NotZero(b, got[0])
			}
			after := [2]time.Duration{onProcessor(b, d.hub), onProcessor(b, d.reader)}
			for w := range took {
				slices.Sort(took[w])
			}
			whole, secured := took[0][len(took[0])/2], took[1][len(took[1])/2]
			b.ReportMetric(float64(whole.Microseconds()), "µs-whole")
			b.ReportMetric(float64(secured.Microseconds()), "µs-secured")
			b.ReportMetric(float64(secured)/float64(whole), "ratio")
			b.ReportMetric(float64(after[1]-before[1])/float64(after[0]-before[0]), "cpu-ratio")
			b.ReportMetric(float64((after[0]-before[0]).Nanoseconds())/float64(b.N), "cpu-ns-whole")
		})
	}
}

// onProcessor is how long the server process of a pool's one connection was on a processor: the first number of
// /proc/PID/schedstat, in nanoseconds (Linux documentation, sched-stats).
func onProcessor(b *testing.B, pool *pgxpool.Pool) time.Duration {
	b.Helper()
	var pid, ns int64
	require.NoError(b, pool.QueryRow(b.Context(), `select pg_backend_pid()`).Scan(&pid))
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/schedstat", pid))
	require.NoError(b, err)
	_, err = fmt.Sscan(string(text), &ns)
	require.NoError(b, err)
	return time.Duration(ns)
}
