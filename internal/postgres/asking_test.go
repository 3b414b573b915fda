package postgres

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
	"readback/internal/trail"
)

// asks runs one query in the reader's role for an organisation, as DB does, and gives its rows as words. Nobody: "".
func asks(t *testing.T, conn *pgx.Conn, org string, sql string) string {
	t.Helper()
	var text *string
	require.NoError(t, pgx.BeginFunc(t.Context(), conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(t.Context(), "set local role "+readerRole); err != nil {
			return err
		}
		if org != "" {
			if _, err := tx.Exec(t.Context(), sqlAsking, org, ""); err != nil {
				return err
			}
		}
		return tx.QueryRow(t.Context(), `select string_agg(word, ' ' order by word) from (`+sql+`) as q (word)`).Scan(&text)
	}))
	if text == nil {
		return ""
	}
	return *text
}

// visits is a car's visit with all there is of it, written as the program writes it.
type visits struct {
	d     *DB
	names map[stream.ID]string // of streams, as the tests say them
	now   time.Time
}

func (v *visits) open(name string, kind stream.Kind, shop stream.ID, job *line) *line {
	l := newLine()
	l.ref.Kind, l.org = kind, shop
	if job != nil {
		l.job = &job.ref.ID
	}
	v.names[l.ref.ID] = name
	return l
}

// is appends one entry after which the stream is so. The entries of all streams come one second after the other.
func (v *visits) is(t *testing.T, l *line, phase string, desk *stream.ID) {
	t.Helper()
	a := l.next(phase)
	v.now = v.now.Add(time.Second)
	a.Record.At = v.now
	a.Summary.Phase, a.Summary.Desk, a.Summary.Job = phase, desk, l.job
	if phase == "waiting" {
		a.Summary.QueuedAt, a.Summary.DueAt = &began, &began
	}
	want(t, v.d, a, live.Won)
	l.won(a)
}

// TestRowSecurity: what each relation sees of each table. A calibration's entries are written as name:number.
func TestRowSecurity(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	shop, otherShop, desk, colleague, stranger := stream.NewID(), stream.NewID(), stream.NewID(), stream.NewID(), stream.NewID()
	v := &visits{d: d, now: began, names: map[stream.ID]string{shop: "register", otherShop: "others-register", desk: "desk-register"}}
	register := agree(t, d, shop, desk, colleague)
	agree(t, d, otherShop)
	agree(t, d, desk)

	// Of one job each, so that none is seen through another's.
	visit := func(name string, phases ...string) *line {
		job := v.open(name+"-job", stream.Job, shop, nil)
		cal := v.open(name, stream.Calibration, shop, job)
		v.is(t, job, "open", nil)
		for _, p := range phases {
			phase, by, _ := strings.Cut(p, " ")
			switch by {
			case "":
				v.is(t, cal, phase, nil)
			case "desk":
				v.is(t, cal, phase, &desk)
			case "colleague":
				v.is(t, cal, phase, &colleague)
			}
		}
		v.is(t, job, "open", nil)
		return cal
	}
	visit("prepared", "preparing", "preparing")
	visit("waiting", "preparing", "waiting")
	visit("halted", "preparing", "waiting", "stopped")
	visit("claimed", "preparing", "waiting", "guided desk", "running desk")
	visit("returned", "preparing", "waiting", "guided desk", "waiting", "waiting")
	visit("taken", "preparing", "waiting", "guided desk", "waiting", "waiting", "guided colleague", "running colleague")
	visit("withdrawn", "preparing", "waiting", "guided desk", "waiting", "waiting", "stopped", "closed", "closed")
	visit("closed", "preparing", "waiting", "guided desk", "closed desk")

	admin := superuser(t, url)
	named := func(words string) string {
		for id, name := range v.names {
			words = strings.ReplaceAll(words, id.String(), name)
		}
		all := strings.Fields(words)
		slices.Sort(all)
		return strings.Join(all, " ")
	}
	heads := func(org string) string { return named(asks(t, admin, org, `select stream::text from head`)) }
	entries := func(org string) string {
		// Stream by stream, as the program reads them, the same is seen.
		asking := stream.ID{}
		if org != "" && org != asking.String() {
			var err error
			asking, err = stream.ParseID("id", org)
			require.NoError(t, err)
		}
		var each []string
		for id, name := range v.names {
			for _, kind := range []stream.Kind{stream.Register, stream.Job, stream.Calibration} {
				records, err := d.LoadFor(t.Context(), asking, stream.Ref{Kind: kind, ID: id}, 0, 0)
				require.NoError(t, err)
				if len(records) > 0 {
					require.Equal(t, len(records), int(records[len(records)-1].Seq))
					each = append(each, fmt.Sprintf("%s:%d", name, len(records)))
				}
			}
		}
		slices.Sort(each)
		all := named(asks(t, admin, org, `select stream || ':' || max(seq) || case when count(*) = max(seq) then '' else ' with gaps' end
			from entry group by stream`))
		require.Equal(t, all, strings.Join(each, " "))
		return all
	}
	claims := func(org string) string { return named(asks(t, admin, org, `select stream::text from claim`)) }
	words := func(w ...string) string { slices.Sort(w); return strings.Join(w, " ") }

	everything := []string{"prepared", "waiting", "halted", "claimed", "returned", "taken", "withdrawn", "closed"}
	var own []string
	for _, name := range everything {
		own = append(own, name, name+"-job")
	}
	t.Run("own", func(t *testing.T) {
		require.Equal(t, words(append(own, "register")...), heads(shop.String()))
		require.Equal(t, words("register:1", "prepared:2", "waiting:2", "halted:3", "claimed:4", "returned:5", "taken:7",
			"withdrawn:8", "closed:4", "prepared-job:2", "waiting-job:2", "halted-job:2", "claimed-job:2", "returned-job:2",
			"taken-job:2", "withdrawn-job:2", "closed-job:2"), entries(shop.String()))
		require.Empty(t, claims(shop.String()))
	})
	t.Run("agreed and claimed and ended", func(t *testing.T) {
		require.Equal(t, words("desk-register", "register", "waiting", "halted", "claimed", "returned", "closed"), heads(desk.String()),
			"of jobs no row: a desk lists none")
		require.Equal(t, words("desk-register:1", "register:1",
			"waiting:2", "waiting-job:2", "halted:3", "halted-job:2", // agreed
			"claimed:4", "claimed-job:2", "closed:4", "closed-job:2", // claimed
			"returned:5", "returned-job:2", // agreed again
			"taken:5", "taken-job:1", // ended: up to where the colleague claimed it
			"withdrawn:6", "withdrawn-job:1", // ended: up to where it waited
		), entries(desk.String()))
		require.Equal(t, words("claimed", "returned", "taken", "withdrawn", "closed"), claims(desk.String()))
		require.Equal(t, words("register", "waiting", "halted", "returned", "taken"), heads(colleague.String()))
	})
	for name, org := range map[string]string{"of nothing": stranger.String(), "nobody": "", "the zero id": stream.ID{}.String()} {
		t.Run(name, func(t *testing.T) {
			require.Empty(t, heads(org))
			require.Empty(t, entries(org))
			require.Empty(t, claims(org))
		})
	}
	t.Run("foreign", func(t *testing.T) {
		require.Equal(t, "others-register", heads(otherShop.String()))
		require.Equal(t, "others-register:1", entries(otherShop.String()))
		require.Empty(t, claims(otherShop.String()))
	})

	register.add(t, d) // and with it the agreements are over
	t.Run("agreement ended", func(t *testing.T) {
		require.Equal(t, words("desk-register", "claimed", "closed"), heads(desk.String()))
		require.Equal(t, words("desk-register:1", "claimed:4", "claimed-job:2", "closed:4", "closed-job:2",
			// Up to the entry that ended the claim, and of their jobs what there was by then.
			"returned:4", "returned-job:1", "taken:4", "taken-job:1", "withdrawn:4", "withdrawn-job:1",
		), entries(desk.String()))
		require.Equal(t, words("taken"), heads(colleague.String()))
	})
}

// TestAskingEnds: the setting is gone with the query that it was made for, whatever came of that and in whatever way the
// driver runs statements.
func TestAskingEnds(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	for _, mode := range []pgx.QueryExecMode{pgx.QueryExecModeCacheStatement, pgx.QueryExecModeCacheDescribe,
		pgx.QueryExecModeDescribeExec, pgx.QueryExecModeExec, pgx.QueryExecModeSimpleProtocol} {
		t.Run(mode.String(), func(t *testing.T) {
			t.Parallel()
			d := open(t, database, Options{ReaderConns: 1})
			l := newLine()
			l.add(t, d)
			d.reader.Close() // the next one runs statements in that mode
			config := d.config.Copy()
			config.ConnConfig = d.connConfig(readerRole)
			config.ConnConfig.DefaultQueryExecMode = mode
			config.MaxConns = 1
			var err error
			d.reader, err = pgxpool.NewWithConfig(t.Context(), config)
			require.NoError(t, err)

			var backend int
			require.NoError(t, d.reader.QueryRow(t.Context(), `select pg_backend_pid()`).Scan(&backend))
			nothing := func(after string) {
				t.Helper()
				var pid, heads, entries int
				var asking *string
				require.NoError(t, d.reader.QueryRow(t.Context(), `
					select pg_backend_pid(), (select count(*) from head), (select count(*) from entry), asking()::text`).
					Scan(&pid, &heads, &entries, &asking))
				require.Equal(t, backend, pid, "the same connection")
				require.Zero(t, heads, after)
				require.Zero(t, entries, after)
				require.Nil(t, asking, after)
			}
			nothing("at the beginning")
			for range 3 { // unprepared, prepared, with a plan of its own
				got, err := d.For(l.org).Heads(t.Context(), Filter{Org: &l.org})
				require.NoError(t, err)
				require.Len(t, got, 1)
				nothing("after a list")
				records, err := d.LoadFor(t.Context(), l.org, l.ref, 0, 0)
				require.NoError(t, err)
				require.Len(t, records, 1)
				nothing("after entries")
				_, err = asked(t.Context(), d.For(l.org), heads, `select `+headColumns+` from head where 1 / (seq - 1) = 0`)
				require.Equal(t, "22012", state(err), "%v", err)
				nothing("after an error")
				got, err = d.For(stream.NewID()).Heads(t.Context(), Filter{Org: &l.org})
				require.NoError(t, err)
				require.Empty(t, got)
			}
			gone, cancel := context.WithCancel(t.Context())
			cancel()
			_, err = d.For(l.org).Heads(gone, Filter{Org: &l.org})
			require.ErrorIs(t, err, context.Canceled)
			nothing("after a caller who had gone")
		})
	}
}

// TestNoWayAround: nothing in the schema reads past the policies: no table that the reader may read without them, no view,
// no function with other rights than the one that finds agreements. Whoever adds a table for the reader adds policies.
func TestNoWayAround(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	l := newLine()
	l.add(t, d)
	admin := superuser(t, url)

	require.Equal(t, "{}", one[string](t, admin, `
		select coalesce(array_agg(relname::text), '{}')::text from pg_class
		where relnamespace = 'readback'::regnamespace and relkind in ('r', 'p') and relname <> 'goose_db_version'
			and (has_table_privilege('readback_reader', oid, 'select') or has_any_column_privilege('readback_reader', oid, 'select'))
			and not (relrowsecurity and relforcerowsecurity)`),
		"tables that readback_reader sees whole: enable and force row level security, or read them in readback_hub")
	require.Equal(t, "{}", one[string](t, admin, `
		select coalesce(array_agg(relname::text), '{}')::text from pg_class
		where relnamespace = 'readback'::regnamespace and relkind in ('v', 'm')`), "views")
	// job_withdrawn says yes or no to who knows a job's id, and nothing else of it.
	require.Equal(t, "{agreed_shops,job_withdrawn}", one[string](t, admin, `
		select coalesce(array_agg(proname::text order by proname), '{}')::text from pg_proc
		where pronamespace = 'readback'::regnamespace and prosecdef and has_function_privilege('readback_reader', oid, 'execute')`))
	require.Equal(t, "{}", one[string](t, admin, `
		select coalesce(array_agg(rolname::text), '{}')::text from pg_roles
		where rolname like 'readback\_%' and rolname not like 'readback\_test%' and (rolsuper or rolbypassrls or rolcanlogin)`))

	// Switching the policies off is an error, not a way past them; and the owner is held by them too.
	for _, role := range []string{readerRole, ownerRole} {
		conn := superuser(t, url)
		_, err := conn.Exec(t.Context(), "set role "+role)
		require.NoError(t, err)
		require.Zero(t, one[int](t, conn, `select count(*) from entry`), role)
		require.Zero(t, one[int](t, conn, `select count(*) from head`), role)
		_, err = conn.Exec(t.Context(), "set row_security = off")
		require.NoError(t, err)
		_, err = conn.Exec(t.Context(), `select from entry`)
		require.Equal(t, "42501", state(err), "%s: %v", role, err)
	}
	// A query's own condition is not given the rows that it may not see: here one that would fail on them.
	require.Empty(t, asks(t, admin, stream.NewID().String(), `select type from entry where 1 / (seq - 1) = 0`))
}

// TestListsUseTheirIndexes: with many streams of many organisations, no list reads them all, beneath row-level security
// either. The planner's choice is asked for, not its time.
func TestListsUseTheirIndexes(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	many(t, url, 20_000)
	d := open(t, url, Options{ReaderConns: 1}) // as it reads, with its settings
	for _, c := range []struct {
		sql   string
		args  []any
		index []string
	}{
		{`select ` + headColumns + ` from head where org = $1 and kind = 'calibration' and phase = 'waiting' order by stream desc limit 50`,
			[]any{organisation(0)}, []string{"head_by_org"}},
		{`select ` + headColumns + ` from head where kind = $2 and org = $1 and stream < $3 order by stream desc limit 50`,
			[]any{organisation(0), "calibration", "ffffffff-ffff-7fff-8000-000000000000"}, []string{"head_newest_by_org"}},
		{`select ` + headColumns + ` from head where desk = $1 and kind = $2 order by stream desc limit 50`,
			[]any{organisation(0), "calibration"}, []string{"head_newest_by_desk"}},
		{`select ` + headColumns + ` from head where desk = $1 and phase = 'waiting' order by stream desc limit 50`,
			[]any{organisation(0)}, []string{"head_by_desk"}},
		{`select ` + headColumns + ` from head where job = $1 order by stream desc limit 50`, []any{organisation(0)}, []string{"head_by_job"}},
		{`select ` + headColumns + ` from head where job = any (array(select job from clue where clue = $3)) and kind = $2 and org = $1 order by stream desc limit 50`,
			[]any{organisation(0), "calibration", make([]byte, trail.ClueSize)}, []string{"clue_pkey", "head_by_job"}},
		{`select ` + headColumns + ` from head where exists (select from entry e where e.stream = head.stream and e.actor = $3 and e.kind = 'calibration' and e.type in ` +
			answered + `) and kind = $2 and org = $1 and summary ->> 'sensor' = 'front-radar' and stream >= $4 and stream < $5 order by stream desc limit 50`,
			[]any{organisation(0), "calibration", organisation(1), organisation(0), "ffffffff-ffff-7fff-8000-000000000000"}, []string{"entry_answered"}},
		{sqlWaiting, []any{began, organisation(0), 50}, []string{"head_waiting"}},
		{sqlLoad, []any{organisation(0), 0, "calibration", 500}, []string{"head_pkey"}},
		{sqlLoad, []any{organisation(0), 0, "job", 500}, []string{"head_by_job", "claim_by_job"}},
	} {
		var plan string
		require.NoError(t, pgx.BeginFunc(t.Context(), d.reader, func(tx pgx.Tx) error {
			if _, err := tx.Exec(t.Context(), sqlAsking, organisation(0), organisation(0)); err != nil {
				return err
			}
			return tx.QueryRow(t.Context(), `explain (format json) `+c.sql, append([]any{pgx.QueryExecModeExec}, c.args...)...).Scan(&plan)
		}))
		for _, index := range c.index {
			require.Contains(t, plan, `"`+index+`"`, c.sql)
		}
		require.NotContains(t, plan, `"Seq Scan"`, c.sql)
		if strings.HasPrefix(c.index[0], "head_newest") {
			require.NotContains(t, plan, `"Sort"`, "the newest are read, and no more: %s", c.sql)
		}
	}
}

// organisation is the id of the i-th organisation of many.
func organisation(i int) string { return fmt.Sprintf("00000000-0000-7000-8000-%012d", i) }

// many fills the database with so many calibrations: of 200 shops and, but for those that wait, 50 desks; desk n has
// agreements with shops n, n+50, n+100 and n+150.
func many(t testing.TB, url string, calibrations int) {
	t.Helper()
	_, err := superuser(t, url).Exec(t.Context(), fmt.Sprintf(`
		create function pg_temp.id(i int) returns uuid language sql return ('00000000-0000-7000-8000-' || lpad(i::text, 12, '0'))::uuid;
		insert into head (stream, kind, org, phase, seq, hash, summary, changed_at)
		select pg_temp.id(i), 'register', pg_temp.id(i), 'open', 1, decode(repeat('00', 32), 'hex'),
			jsonb_build_object('agreements', jsonb_build_array(pg_temp.id(i %% 50))), now()
		from generate_series(0, 199) as i;
		insert into head (stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, changed_at)
		select gen_random_uuid(), 'calibration', pg_temp.id(i %% 200), md5(i::text)::uuid,
			case when i %% 97 <> 0 then pg_temp.id(i %% 50) end, case when i %% 97 = 0 then 'waiting' else 'closed' end,
			case when i %% 97 = 0 then now() end, case when i %% 97 = 0 then now() + interval '30 minutes' end, 1, decode(repeat('00', 32), 'hex'),
			'{"sensor": "front-camera", "turn": {"who": "technician"}}', now()
		from generate_series(1, %d) as i;
		insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
		select h.stream, n, h.kind, 'noted', 1, now(), h.org, gen_random_uuid(), convert_to('{"text":"' || repeat('x', 600) || '"}', 'UTF8'),
			decode(repeat('00', 32), 'hex'), decode(repeat('00', 32), 'hex')
		from (select * from head where kind = 'calibration' order by stream limit 200) as h, generate_series(1, 100) as n;
		insert into stream_key (id, stream, wrapped) values (pg_temp.id(1), pg_temp.id(1), '\x00');
		insert into clue (clue, job, key) select substr(sha256(job::text::bytea), 1, 16), job, pg_temp.id(1) from head where kind = 'calibration';
		analyze head, entry, claim, clue`, calibrations))
	require.NoError(t, err)
}
