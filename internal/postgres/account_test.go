package postgres

import (
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

func TestAccounts(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	a := Account{Member: stream.NewID(), Org: stream.NewID(), Login: "Ödön.Example", PasswordHash: "$argon2id$invented"}
	require.NoError(t, d.PutAccount(t.Context(), a))
	got, err := d.AccountByLogin(t.Context(), "ödön.EXAMPLE")
	require.NoError(t, err)
	require.False(t, got.CreatedAt.IsZero())
	made := got.CreatedAt
	a.Login, got.CreatedAt = "ödön.example", a.CreatedAt
	require.Equal(t, a, got)

	a.Login, a.PasswordHash, a.Disabled = "new", "$argon2id$other", true
	require.NoError(t, d.PutAccount(t.Context(), a))
	got, err = d.AccountByLogin(t.Context(), "new")
	require.NoError(t, err)
	a.CreatedAt = made
	require.Equal(t, a, got)
	_, err = d.AccountByLogin(t.Context(), "ödön.example")
	require.True(t, fault.Is(err, fault.NotHere), "%v", err)

	colleague := Account{Member: stream.NewID(), Org: a.Org, Login: "colleague", PasswordHash: "$argon2id$invented"}
	require.NoError(t, d.PutAccount(t.Context(), colleague))
	require.NoError(t, d.PutAccount(t.Context(), Account{Member: stream.NewID(), Org: stream.NewID(), Login: "elsewhere", PasswordHash: "$argon2id$invented"}))
	all, err := d.AccountsOfOrg(t.Context(), a.Org)
	require.NoError(t, err)
	colleague.CreatedAt = all[0].CreatedAt
	listed := []Account{colleague, a}
	for i := range listed {
		listed[i].PasswordHash = ""
	}
	require.Equal(t, listed, all, "one's own, by login, without the passwords")

	for name, c := range map[string]struct {
		a    Account
		slug fault.Slug
	}{
		"login of another":             {Account{Member: stream.NewID(), Org: a.Org, Login: "NEW"}, fault.AlreadyThere},
		"login of one whose id it has": {Account{Member: a.Member, Org: stream.NewID(), Login: "new"}, fault.AlreadyThere},
		"no login":                     {Account{Member: stream.NewID(), Org: a.Org}, fault.InvalidInput},
		"login of 255 byte":            {Account{Member: stream.NewID(), Org: a.Org, Login: strings.Repeat("x", 255)}, fault.InvalidInput},
	} {
		err := d.PutAccount(t.Context(), c.a)
		require.True(t, fault.Is(err, c.slug), "%s: %v", name, err)
	}
}

// TestAccountsOfOneOrganisation are found without reading those of all others. The planner's choice is asked for.
func TestAccountsOfOneOrganisation(t *testing.T) {
	t.Parallel()
	conn := superuser(t, pgtest.Database(t))
	_, err := conn.Exec(t.Context(), `
		insert into account (member, org, login, password_hash)
		select gen_random_uuid(), md5((i % 1000)::text)::uuid, 'login' || i, '$argon2id$invented' from generate_series(1, 10000) as i;
		analyze account`)
	require.NoError(t, err)
	var plan string
	require.NoError(t, conn.QueryRow(t.Context(), "explain (format json) "+sqlAccountsOfOrg, pgx.QueryExecModeExec, organisation(0)).Scan(&plan))
	require.Contains(t, plan, `"account_pkey"`)
	require.NotContains(t, plan, `"Seq Scan"`)
}
