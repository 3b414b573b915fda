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

	_, err = Migrate(t.Context(), url, "")
	require.NoError(t, err)
	for _, table := range []string{"running", "lease"} {
		require.Equal(t, "00000001-0000-7000-8000-000000000000 of 0000000d-0000-7000-8000-000000000000",
			one[string](t, admin, "select string_agg(stream || ' of ' || desk, ', ') from "+table), table)
	}
	open(t, url, Options{})
}
