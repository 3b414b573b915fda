package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/session"
	"readback/internal/stream"
)

// keepEnded is how long sessions are kept that are over.
const keepEnded = 30 * 24 * time.Hour

// How many refresh tokens one session makes: each is kept as long as the session is. A device makes some an hour, and a page
// that opens a handful at once.
const (
	mostTokensMinute = 600
	mostTokens       = 20_000
)

const sessionColumns = `id, member, org, created_at, used_at, expires_at, ends_at, origin, device, coalesce(ended_why, '')`

func scanSession(row pgx.Row) (s session.Session, err error) {
	var id, member, org pgtype.UUID
	err = row.Scan(&id, &member, &org, &s.CreatedAt, &s.UsedAt, &s.ExpiresAt, &s.EndsAt, &s.Origin, &s.Device, &s.Ended)
	s.ID, s.Member, s.Org = id.Bytes, member.Bytes, org.Bytes
	s.CreatedAt, s.UsedAt, s.ExpiresAt, s.EndsAt = s.CreatedAt.UTC(), s.UsedAt.UTC(), s.ExpiresAt.UTC(), s.EndsAt.UTC()
	return s, err
}

func noSession() error { return fault.New(fault.NotHere, "There is no such session.") }

const sqlOpenSession = `
with a as materialized (select from account where org = $3 and member = $2 and password_hash = $9 and not disabled for share),
now as materialized (select clock_timestamp() as t from a),
s as (
	insert into session (id, member, org, created_at, used_at, expires_at, ends_at, origin, device)
	select $1, $2, $3, t, t, t + least($4::interval, $5::interval), t + $5::interval, $6, $7 from now
	returning *
), r as (
	insert into refresh_token (hash, session, made_at) select $8, $1, t from now
)
select ` + sessionColumns + ` from s`

// OpenSession begins a session with its first refresh token; a not-found fault if the account is disabled or its password
// is another by now than the one that was verified. It and a change of password come one after the other, by the account's
// row: a session is either refused or ended.
func (d *DB) OpenSession(ctx context.Context, o session.Opening) (session.Session, error) {
	s, err := scanSession(d.writer.QueryRow(ctx, sqlOpenSession, given(o.ID), given(o.Member), given(o.Org), o.Idle, o.AtMost,
		o.Origin, o.Device, o.Refresh[:], o.PasswordHash))
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return s, noSession()
	case err != nil:
		return s, fmt.Errorf("open a session of member %s: %w", o.Member, explain(err))
	}
	return s, nil
}

const (
	sqlSessionOfToken = `select session from refresh_token where hash = $1`

	sqlLockSession = `select ` + sessionColumns + ` from session where id = $1 for update`

	// Read after the lock is had, so as it is then.
	sqlToken = `
		select coalesce(exchanged_at, 'epoch'), void,
			exists (select from refresh_token heir where heir.parent = t.hash and heir.exchanged_at is not null), clock_timestamp()
		from refresh_token t where hash = $1`

	sqlTokensMade = `
		select count(*) filter (where made_at > $2::timestamptz - interval '1 minute'), count(*) from refresh_token where session = $1`

	sqlEndLocked = `update session set ended_at = $2, ended_why = $3 where id = $1 and ended_at is null`

	// Of the tokens made for one parent the first to be used voids the others.
	sqlVoidSiblings = `
		update refresh_token set void = true
		where parent = (select parent from refresh_token where hash = $1) and hash <> $1 and exchanged_at is null`
	sqlMarkExchanged = `update refresh_token set exchanged_at = $2 where hash = $1`
	sqlVoidHeirs     = `update refresh_token set void = true where parent = $1 and exchanged_at is null`
	sqlAddToken      = `insert into refresh_token (hash, session, parent, made_at) values ($1, $2, $3, $4)`
	sqlUseSession    = `
		update session set used_at = greatest($2, used_at), expires_at = $3, origin = $4, device = $5 where id = $1`
)

// ExchangeToken exchanges a refresh token, or ends the session where that is what the token leads to; a not-found fault
// if nobody ever got such a token. Exchanges in one session come one after the other, on whatever nodes they are asked:
// each locks the session's row first.
func (d *DB) ExchangeToken(ctx context.Context, x session.Exchange) (s session.Session, step session.Step, err error) {
	err = pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		s, step, err = exchange(ctx, tx, x)
		return err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return s, step, noSession()
	case err != nil:
		return s, step, fmt.Errorf("exchange a refresh token: %w", explain(err))
	}
	return s, step, nil
}

func exchange(ctx context.Context, tx pgx.Tx, x session.Exchange) (s session.Session, step session.Step, err error) {
	var id pgtype.UUID
	if err := tx.QueryRow(ctx, sqlSessionOfToken, x.Presented[:]).Scan(&id); err != nil {
		return s, step, err
	}
	if s, err = scanSession(tx.QueryRow(ctx, sqlLockSession, id)); err != nil {
		return s, step, err
	}
	var t session.Token
	var now time.Time
	if err := tx.QueryRow(ctx, sqlToken, x.Presented[:]).Scan(&t.Exchanged, &t.Void, &t.HeirUsed, &now); err != nil {
		return s, step, err
	}
	if t.Exchanged.Unix() == 0 {
		t.Exchanged = time.Time{}
	}
	step = session.Judge(s, t, now)
	if step.Over != "" {
		s.Ended = step.Over
		_, err := tx.Exec(ctx, sqlEndLocked, id, now, step.Over)
		return s, step, err
	}
	var minute, all int
	if err := tx.QueryRow(ctx, sqlTokensMade, id, now).Scan(&minute, &all); err != nil {
		return s, step, err
	}
	if minute >= mostTokensMinute || all >= mostTokens {
		return s, step, fault.New(fault.TooMany, "This sign-in was gone on with too often. Go on more slowly, or sign in again.").After(time.Minute)
	}
	s = s.Use(now, x.Idle)
	s.Origin, s.Device = x.Origin, x.Device
	b := &pgx.Batch{}
	switch {
	case !step.Repeat:
		b.Queue(sqlVoidSiblings, x.Presented[:])
		b.Queue(sqlMarkExchanged, x.Presented[:], now)
	case !x.Page:
		b.Queue(sqlVoidHeirs, x.Presented[:])
	}
	b.Queue(sqlAddToken, x.Next[:], id, x.Presented[:], now)
	b.Queue(sqlUseSession, id, s.UsedAt, s.ExpiresAt, s.Origin, s.Device)
	return s, step, tx.SendBatch(ctx, b).Close()
}

const sqlTouchSession = `
update session set used_at = clock_timestamp(), expires_at = least(clock_timestamp() + $2::interval, ends_at)
where id = $1 and ended_at is null and expires_at > clock_timestamp()
returning ` + sessionColumns

// UseSession gives a session that goes on, noting a use of it where idle is how long it may then be left alone; 0 only
// looks. A session that does not go on is a not-found fault.
func (d *DB) UseSession(ctx context.Context, id stream.ID, idle time.Duration) (s session.Session, err error) {
	if idle > 0 {
		s, err = scanSession(d.writer.QueryRow(ctx, sqlTouchSession, given(id), idle))
	} else {
		s, err = reading(d.writer, func() (session.Session, error) {
			return scanSession(d.writer.QueryRow(ctx, sqlLivingSession, given(id)))
		})
	}
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return s, noSession()
	case err != nil:
		return s, fmt.Errorf("look for session %s: %w", id, explain(err))
	}
	return s, nil
}

const sqlLivingSession = `
select ` + sessionColumns + ` from session where id = $1 and ended_at is null and expires_at > clock_timestamp()`

const sqlLivingSessions = `
select ` + sessionColumns + ` from session
where org = $1 and ($2::uuid is null or member = $2) and ended_at is null and expires_at > clock_timestamp()
order by used_at desc, id limit 500`

// LivingSessions gives the sessions of an organisation, or of one of its members, that go on, the last used first; at
// most 500.
func (d *DB) LivingSessions(ctx context.Context, org stream.ID, member *stream.ID) ([]session.Session, error) {
	all, err := reading(d.writer, func() ([]session.Session, error) {
		rows, err := d.writer.Query(ctx, sqlLivingSessions, given(org), maybe(member))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (session.Session, error) { return scanSession(row) })
	})
	if err != nil {
		return nil, fmt.Errorf("list sessions: %w", explain(err))
	}
	return all, nil
}

const sqlEndSessions = `
update session set ended_at = clock_timestamp(), ended_why = $5
where org = $1 and member = $2 and ended_at is null and ($3::uuid is null or id = $3) and ($4::uuid is null or id <> $4)
returning id`

// EndSessions ends sessions of a member and says which: one, or all, or all but one. Ending what has ended is no fault.
func (d *DB) EndSessions(ctx context.Context, p stream.Person, only, except *stream.ID, why session.Reason) ([]stream.ID, error) {
	ids, err := endSessions(ctx, d.writer, p, only, except, why)
	if err != nil {
		return nil, fmt.Errorf("end sessions of member %s: %w", p.Member, explain(err))
	}
	return ids, nil
}

// querier is a pool or a transaction.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

func endSessions(ctx context.Context, q querier, p stream.Person, only, except *stream.ID, why session.Reason) ([]stream.ID, error) {
	rows, err := q.Query(ctx, sqlEndSessions, given(p.Org), given(p.Member), maybe(only), maybe(except), why)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanID)
}

func scanID(row pgx.CollectableRow) (stream.ID, error) {
	var id pgtype.UUID
	err := row.Scan(&id)
	return id.Bytes, err
}

const sqlForgetSessions = `delete from session where coalesce(ended_at, expires_at) < clock_timestamp() - $1::interval`

// ForgetSessions deletes the sessions that have been over for 30 days, with their tokens.
func (d *DB) ForgetSessions(ctx context.Context) error {
	if _, err := d.writer.Exec(ctx, sqlForgetSessions, keepEnded); err != nil {
		return fmt.Errorf("forget old sessions: %w", explain(err))
	}
	return nil
}

const sqlPassword = `update account set password_hash = $3 where org = $1 and member = $2 and password_hash = $4 and not disabled`

const sqlVoidResets = `
update invitation set void_at = clock_timestamp() where org = $1 and member = $2 and kind = 'reset' and used_at is null and void_at is null`

// ChangePassword replaces a password that was verified against old, voids the links that would replace it again, and ends
// the member's other sessions, all or nothing. A conflict fault if the password was changed meanwhile.
func (d *DB) ChangePassword(ctx context.Context, p stream.Person, old, hash string, except *stream.ID) (ended []stream.ID, err error) {
	err = pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		got, err := tx.Exec(ctx, sqlPassword, given(p.Org), given(p.Member), hash, old)
		if err != nil {
			return err
		}
		if got.RowsAffected() == 0 {
			return fault.New(fault.Stale, "The password was changed by somebody else meanwhile.")
		}
		if _, err := tx.Exec(ctx, sqlVoidResets, given(p.Org), given(p.Member)); err != nil {
			return err
		}
		ended, err = endSessions(ctx, tx, p, nil, except, session.NewPassword)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("change the password of member %s: %w", p.Member, explain(err))
	}
	return ended, nil
}
