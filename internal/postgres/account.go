package postgres

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Account is how a member signs in. Logins are kept and found in lower case.
type Account struct {
	Member       stream.ID
	Org          stream.ID
	Login        string
	PasswordHash string
	Disabled     bool
	CreatedAt    time.Time // given by the database
}

// Person is who signs in.
func (a Account) Person() stream.Person { return stream.Person{Org: a.Org, Member: a.Member} }

const sqlPutAccount = `
insert into account (member, org, login, password_hash, disabled)
values ($1, $2, $3, $4, $5)
on conflict (org, member) do update set
	login = excluded.login, password_hash = excluded.password_hash, disabled = excluded.disabled
returning created_at`

// PutAccount makes the member's account or changes its login, password and whether it may be used. A login that someone
// else has is refused.
func (d *DB) PutAccount(ctx context.Context, a Account) error {
	var at time.Time
	err := d.writer.QueryRow(ctx, sqlPutAccount,
		given(a.Member), given(a.Org), strings.ToLower(a.Login), a.PasswordHash, a.Disabled).Scan(&at)
	if err != nil {
		return fmt.Errorf("put the account of member %s of %s: %w", a.Member, a.Org, explain(err))
	}
	return nil
}

const (
	sqlAccountByLogin = `
select member, org, login, password_hash, disabled, created_at from account where login = $1`
	sqlAccountOf = `
select member, org, login, password_hash, disabled, created_at from account where org = $1 and member = $2`
)

// AccountByLogin finds an account, disabled or not, by its login in whatever case; a not-found fault if there is none.
func (d *DB) AccountByLogin(ctx context.Context, login string) (Account, error) {
	return d.account(ctx, sqlAccountByLogin, strings.ToLower(login))
}

// AccountOf finds a member's account, disabled or not; a not-found fault if there is none.
func (d *DB) AccountOf(ctx context.Context, p stream.Person) (Account, error) {
	return d.account(ctx, sqlAccountOf, given(p.Org), given(p.Member))
}

const sqlAccountsOfOrg = `
select member, login, disabled, created_at from account where org = $1 order by login`

// AccountsOfOrg gives those of an organisation, disabled or not, by login, without their passwords.
func (d *DB) AccountsOfOrg(ctx context.Context, org stream.ID) ([]Account, error) {
	all, err := reading(d.writer, func() ([]Account, error) {
		rows, err := d.writer.Query(ctx, sqlAccountsOfOrg, given(org))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Account, error) {
			a := Account{Org: org}
			var member pgtype.UUID
			err := row.Scan(&member, &a.Login, &a.Disabled, &a.CreatedAt)
			a.Member, a.CreatedAt = member.Bytes, a.CreatedAt.UTC()
			return a, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("list accounts: %w", explain(err))
	}
	return all, nil
}

func (d *DB) account(ctx context.Context, sql string, by ...any) (Account, error) {
	a, err := reading(d.writer, func() (a Account, err error) {
		var member, org pgtype.UUID
		err = d.writer.QueryRow(ctx, sql, by...).
			Scan(&member, &org, &a.Login, &a.PasswordHash, &a.Disabled, &a.CreatedAt)
		a.Member, a.Org, a.CreatedAt = member.Bytes, org.Bytes, a.CreatedAt.UTC()
		return a, err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return Account{}, fault.New(fault.NotHere, "There is no account with this login.")
	case err != nil:
		return Account{}, fmt.Errorf("find an account: %w", explain(err))
	}
	return a, nil
}
