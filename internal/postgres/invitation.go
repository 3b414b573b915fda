package postgres

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
)

const invitationColumns = `id, member, org, kind, login, made_by, made_at, expires_at`

func scanInvitation(row pgx.Row) (i session.Invitation, err error) {
	var id, member, org, by pgtype.UUID
	err = row.Scan(&id, &member, &org, &i.Kind, &i.Login, &by, &i.MadeAt, &i.ExpiresAt)
	i.ID, i.Member, i.Org, i.MadeAt, i.ExpiresAt = id.Bytes, member.Bytes, org.Bytes, i.MadeAt.UTC(), i.ExpiresAt.UTC()
	if by.Valid {
		owner := stream.ID(by.Bytes)
		i.MadeBy = &owner
	}
	return i, err
}

func noInvitation() error {
	return fault.New(fault.NotHere, "This link is not good, or not any more. Ask for a new one.")
}

// openInvitation is true of invitations that still let somebody in.
const openInvitation = `used_at is null and void_at is null and expires_at > clock_timestamp()`

const (
	// One after the other within an organisation, so that its open links can be counted.
	sqlLockInvitations = `select pg_advisory_xact_lock(hashtextextended('invitation ' || $1, 0))`

	// What a member asked for gives way to what an owner made, and to itself for some minutes: strangers can ask too.
	sqlMayAsk = `
		select not exists (select from invitation where member = $1 and org = $2 and ` + openInvitation + `
			and (made_by is not null or made_at > clock_timestamp() - interval '5 minutes'))`

	// What members asked for is bounded by the accounts: one each, and is not held back by what owners made.
	sqlOthersOpen = `select count(*) from invitation where org = $1 and member <> $2 and made_by is not null and ` + openInvitation

	sqlVoidOlder = `
		update invitation set void_at = clock_timestamp() where member = $1 and org = $2 and used_at is null and void_at is null`

	sqlInvite = `
		insert into invitation (id, hash, kind, member, org, login, made_by, made_at, expires_at)
		values ($1, $2, $3, $4, $5, lower($6), $7, clock_timestamp(), clock_timestamp() + $8::interval)
		returning ` + invitationColumns
)

// Invite keeps an invitation by the hash of its token, in the place of an older one. One that nobody made but the member
// asked for is refused as too-many while an owner's is open, or one that was asked for within five minutes; an owner's,
// while as many others of the organisation are open as may be.
func (d *DB) Invite(ctx context.Context, i session.Invitation, token session.Hash) (got session.Invitation, err error) {
	err = pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sqlLockInvitations, i.Org.String()); err != nil {
			return err
		}
		if i.MadeBy != nil {
			var others int
			if err := tx.QueryRow(ctx, sqlOthersOpen, given(i.Org), given(i.Member)).Scan(&others); err != nil {
				return err
			}
			if others >= session.MostOpen {
				return fault.New(fault.TooMany, fmt.Sprintf("Your organisation has %d links open, as many as there may be. "+
					"Withdraw one that is not needed, or wait until one was used or has run out.", others))
			}
		} else {
			var may bool
			if err := tx.QueryRow(ctx, sqlMayAsk, given(i.Member), given(i.Org)).Scan(&may); err != nil {
				return err
			}
			if !may {
				return fault.New(fault.TooMany, "A link was made already.")
			}
		}
		if _, err := tx.Exec(ctx, sqlVoidOlder, given(i.Member), given(i.Org)); err != nil {
			return err
		}
		got, err = scanInvitation(tx.QueryRow(ctx, sqlInvite, given(i.ID), token[:], i.Kind, given(i.Member), given(i.Org), i.Login,
			maybe(i.MadeBy), i.Kind.Lasts()))
		return err
	})
	if err != nil {
		return got, fmt.Errorf("invite member %s: %w", i.Member, explain(err))
	}
	return got, nil
}

const sqlInvitationByHash = `select ` + invitationColumns + ` from invitation where hash = $1 and ` + openInvitation

// InvitationOf gives the open invitation of a token; a not-found fault if there is none.
func (d *DB) InvitationOf(ctx context.Context, token session.Hash) (session.Invitation, error) {
	i, err := reading(d.writer, func() (session.Invitation, error) {
		return scanInvitation(d.writer.QueryRow(ctx, sqlInvitationByHash, token[:]))
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return i, noInvitation()
	case err != nil:
		return i, fmt.Errorf("find an invitation: %w", explain(err))
	}
	return i, nil
}

const sqlOpenInvitations = `
select ` + invitationColumns + ` from invitation where org = $1 and ` + openInvitation + ` order by made_at desc, id limit 500`

// OpenInvitations gives those of an organisation, the newest first; at most 500.
func (d *DB) OpenInvitations(ctx context.Context, org stream.ID) ([]session.Invitation, error) {
	all, err := reading(d.writer, func() ([]session.Invitation, error) {
		rows, err := d.writer.Query(ctx, sqlOpenInvitations, given(org))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (session.Invitation, error) { return scanInvitation(row) })
	})
	if err != nil {
		return nil, fmt.Errorf("list invitations: %w", explain(err))
	}
	return all, nil
}

const sqlWithdraw = `update invitation set void_at = clock_timestamp() where org = $1 and id = $2 and ` + openInvitation

// WithdrawInvitation makes an open invitation of the organisation good for nothing; a not-found fault if there is none.
func (d *DB) WithdrawInvitation(ctx context.Context, org, id stream.ID) error {
	got, err := d.writer.Exec(ctx, sqlWithdraw, given(org), given(id))
	switch {
	case err != nil:
		return fmt.Errorf("withdraw invitation %s: %w", id, explain(err))
	case got.RowsAffected() == 0:
		return fault.New(fault.NotHere, "There is no such invitation.")
	}
	return nil
}

const sqlUseInvitation = `
update invitation set used_at = clock_timestamp() where hash = $1 and ` + openInvitation + `
returning ` + invitationColumns

const sqlJoin = `
insert into account (member, org, login, password_hash) values ($1, $2, $3, $4)
on conflict (org, member) do update set login = excluded.login, password_hash = excluded.password_hash, disabled = false
where not account.disabled or $5`

// Join uses an invitation: it makes the member's account or opens it again, with the password, and ends all sessions there
// are. Of two that come with one token at once one gets in. A link for a new password does not open an account again that
// was disabled since.
func (d *DB) Join(ctx context.Context, token session.Hash, hash string) (i session.Invitation, ended []stream.ID, err error) {
	err = pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		i, err = scanInvitation(tx.QueryRow(ctx, sqlUseInvitation, token[:]))
		if errors.Is(err, pgx.ErrNoRows) {
			return noInvitation()
		}
		if err != nil {
			return err
		}
		set, err := tx.Exec(ctx, sqlJoin, given(i.Member), given(i.Org), i.Login, hash, i.Kind == session.Invited)
		if err != nil {
			return err
		}
		if set.RowsAffected() == 0 {
			return noInvitation()
		}
		ended, err = endSessions(ctx, tx, i.Person(), nil, nil, session.NewPassword)
		return err
	})
	if err != nil {
		return i, nil, fmt.Errorf("use an invitation: %w", explain(err))
	}
	return i, ended, nil
}

const sqlForgetInvitations = `delete from invitation where expires_at < clock_timestamp() - $1::interval`

// ForgetInvitations deletes those that ran out 30 days ago.
func (d *DB) ForgetInvitations(ctx context.Context) error {
	if _, err := d.writer.Exec(ctx, sqlForgetInvitations, keepEnded); err != nil {
		return fmt.Errorf("forget old invitations: %w", explain(err))
	}
	return nil
}
