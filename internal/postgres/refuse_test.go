package postgres

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/pgtest"
)

// TestTrailRefusesChange: to everyone who may log in and to everyone who may be become, also in the sessions in which
// ordinary triggers sleep.
func TestTrailRefusesChange(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d := open(t, url, Options{})
	newLine().add(t, d)

	for _, s := range []struct{ name, session, state string }{
		{"superuser", "reset role", "RB001"},
		{"superuser as replica", "set session_replication_role = replica", "RB001"},
		{"owner", "set session_replication_role = origin; set role " + ownerRole, "RB001"},
		{"owner as replica", "set session_replication_role = replica; set role " + ownerRole, "RB001"},
		{"writer", "reset role; set role " + writerRole, "42501"}, // not even allowed to try
		{"hub", "reset role; set role " + hubRole, "42501"},
		{"reader", "reset role; set role " + readerRole, "42501"},
	} {
		conn := superuser(t, url)
		_, err := conn.Exec(t.Context(), s.session)
		require.NoError(t, err)
		for _, sql := range []string{
			`update entry set body = body`,
			`update entry set type = 'x' where false`,
			`delete from entry`,
			`delete from entry where false`,
			`truncate entry`,
			`truncate entry, head cascade`,
			`insert into entry select * from entry on conflict (stream, seq) do update set type = 'x'`,
		} {
			_, err := conn.Exec(t.Context(), sql)
			require.Equal(t, s.state, state(err), "%s: %s: %v", s.name, sql, err)
		}
	}
	require.Equal(t, 1, one[int](t, superuser(t, url), `select count(*) from entry`))
}

// TestRoles: what each role may see.
func TestRoles(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	for role, may := range map[string]map[string]bool{
		writerRole: {
			`select stream, seq, hash from entry`: true, `select body from entry`: false,
			`select from stream_key`: true, `select from account`: true, `delete from photo`: true, `update photo set touched_at = now()`: true,
			`update photo set sealed = ''`: false,
			`delete from account`:          false, `delete from head`: false, `create table x ()`: false,
			`alter table entry disable trigger all`: false,
		},
		hubRole: {
			`select body from entry`: true, `select from head`: true,
			`select from stream_key`: false, `select from account`: false, `select from running`: false, `select from claim`: false,
			`select from photo`: true, `delete from photo`: false,
			`insert into head select * from head`: false, `delete from entry`: false, `create table x ()`: false,
		},
		readerRole: {
			`select body from entry`: true, `select from head`: true, `select from claim`: true,
			`select from stream_key`: false, `select from account`: false, `select from running`: false, `select from photo`: false,
			`insert into running values (gen_random_uuid(), gen_random_uuid(), 1)`: false, `create table x ()`: false,
			`insert into claim select * from claim`: false, `update claim set desk = desk`: false,
		},
	} {
		conn := superuser(t, url)
		_, err := conn.Exec(t.Context(), "set role "+role)
		require.NoError(t, err)
		for sql, allowed := range may {
			_, err := conn.Exec(t.Context(), sql)
			if allowed {
				require.NoError(t, err, "%s: %s", role, sql)
			} else {
				require.Equal(t, "42501", state(err), "%s: %s: %v", role, sql, err)
			}
		}
	}
}
