package postgres

import (
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/pgtest"
	"readback/migrations"
)

// sqlAtTwelve are rows as a server at migration 12 left them: a claim that stands and runs, and one that is over, whose
// lease and leg nobody took away.
const sqlAtTwelve = `
	insert into head (stream, kind, org, job, desk, phase, seq, hash, summary, changed_at)
		select s::uuid, 'calibration', '0000000a-0000-7000-8000-000000000000', '0000000c-0000-7000-8000-000000000000', d::uuid, p, 9, '\x'::bytea || repeat('x', 32)::bytea, '{}', now()
		from (values ('00000001-0000-7000-8000-000000000000', '0000000d-0000-7000-8000-000000000000', 'running'),
			('00000002-0000-7000-8000-000000000000', null, 'closed')) as v (s, d, p);
	insert into running (specialist, stream, seq) values
		('000000f1-0000-7000-8000-000000000000', '00000001-0000-7000-8000-000000000000', 9),
		('000000f2-0000-7000-8000-000000000000', '00000002-0000-7000-8000-000000000000', 7);
	insert into lease (stream, member, claimed_at, heard_at) values
		('00000001-0000-7000-8000-000000000000', '000000f1-0000-7000-8000-000000000000', now(), now()),
		('00000002-0000-7000-8000-000000000000', '000000f2-0000-7000-8000-000000000000', now(), now());
	insert into account (member, org, login, password_hash, created_at) values
		('000000f1-0000-7000-8000-000000000000', '0000000d-0000-7000-8000-000000000000', 'one', 'x', now());`

// sqlAtFifteen are rows as a server at migration 15 left them: a webhook with a secret and a delivery, beside what is of none
// any more; and calibrations from before a row named its bay, under way with two sheets, under way with none, and closed.
const sqlAtFifteen = `
	insert into webhook (id, org, url, events, active) values
		('0000001b-0000-7000-8000-000000000000', '0000000a-0000-7000-8000-000000000000', 'https://shop.example', '{job.*}', true);
	insert into webhook_secret (id, webhook, wrapped) values
		('0000001c-0000-7000-8000-000000000000', '0000001b-0000-7000-8000-000000000000', 'x'),
		('0000002c-0000-7000-8000-000000000000', '0000002b-0000-7000-8000-000000000000', 'x');
	insert into delivery (id, webhook, idx, event, body) values
		('0000001d-0000-7000-8000-000000000000', '0000001b-0000-7000-8000-000000000000', 1, 'job.noted', '{}'),
		('0000002d-0000-7000-8000-000000000000', '0000002b-0000-7000-8000-000000000000', 1, 'job.noted', '{}');
	insert into head (stream, kind, org, phase, seq, hash, summary, changed_at)
		select s::uuid, 'calibration', '0000000a-0000-7000-8000-000000000000', p, 9, repeat('x', 32)::bytea, '{"sensor":"front-camera"}', now()
		from (values ('00000003-0000-7000-8000-000000000000', 'preparing'), ('00000004-0000-7000-8000-000000000000', 'waiting'),
			('00000005-0000-7000-8000-000000000000', 'closed')) as v (s, p);
	insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
		select s::uuid, n, 'calibration', t, 1, now(), s::uuid, gen_random_uuid(),
			format('{"command":{"data":{"bay":"0000000%s-0000-7000-8000-000000000000"}}}', bay)::bytea, repeat('x', 32)::bytea, repeat('x', 32)::bytea
		from (values ('00000003-0000-7000-8000-000000000000', 2, 'sheet-issued', 'a'), ('00000003-0000-7000-8000-000000000000', 3, 'sheet-issued', 'b'),
			('00000003-0000-7000-8000-000000000000', 4, 'noted', 'c'), ('00000004-0000-7000-8000-000000000000', 2, 'noted', 'c'),
			('00000005-0000-7000-8000-000000000000', 2, 'sheet-issued', 'd')) as v (s, n, t, bay);`

// TestUpgradeOfData: a database that is in use is brought on with what is in it.
func TestUpgradeOfData(t *testing.T) {
	t.Parallel()
	url := pgtest.Empty(t)
	config, err := pgx.ParseConfig(url)
	require.NoError(t, err)
	require.NoError(t, prepare(t.Context(), config, ""))
	db := stdlib.OpenDB(*inRole(config, ownerRole))
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.Files, goose.WithDisableGlobalRegistry(true))
	require.NoError(t, err)
	_, err = provider.UpTo(t.Context(), 12)
	require.NoError(t, err)
	admin := superuser(t, url)
	_, err = admin.Exec(t.Context(), sqlAtTwelve)
	require.NoError(t, err)

	_, err = provider.UpTo(t.Context(), 15)
	require.NoError(t, err)
	_, err = admin.Exec(t.Context(), sqlAtFifteen)
	require.NoError(t, err)

	_, err = Migrate(t.Context(), url, "")
	require.NoError(t, err)
	for _, table := range []string{"running", "lease"} {
		require.Equal(t, "00000001-0000-7000-8000-000000000000 of 0000000d-0000-7000-8000-000000000000",
			one[string](t, admin, "select string_agg(stream || ' of ' || desk, ', ') from "+table), table)
	}
	for _, table := range []string{"webhook_secret", "delivery"} {
		require.Equal(t, "0000001b-0000-7000-8000-000000000000 of 0000000a-0000-7000-8000-000000000000",
			one[string](t, admin, "select string_agg(webhook || ' of ' || org, ', ') from "+table), table)
	}
	const bays = "select string_agg(coalesce(summary ->> 'bay', 'none'), ', ' order by stream) from head where stream > '00000002-0000-7000-8000-000000000000'"
	require.Equal(t, "0000000b-0000-7000-8000-000000000000, none, none", one[string](t, admin, bays), "of the newest sheet, while under way")
	open(t, url, Options{})
}
