package postgres

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/notify"
	"readback/internal/trail"
)

const sqlMade = `select next from delivery_cursor`

const sqlHooks = `select id, org, url, events, active from webhook`

// Made says up to which number deliveries were made, and which webhooks there were then.
func (d *DB) Made(ctx context.Context) (next uint64, hooks []notify.Hook, err error) {
	hooks, err = reading(d.writer, func() (hooks []notify.Hook, err error) {
		// The number first: webhooks that are newer than it are those of entries that come again, and are learnt again.
		if err = d.writer.QueryRow(ctx, sqlMade).Scan(&next); err != nil {
			return nil, err
		}
		rows, err := d.writer.Query(ctx, sqlHooks)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (h notify.Hook, err error) {
			var id, org pgtype.UUID
			err = row.Scan(&id, &org, &h.URL, &h.Events, &h.Active)
			h.ID, h.Org = id.Bytes, org.Bytes
			return h, err
		})
	})
	if err != nil {
		return 0, nil, fmt.Errorf("look for deliveries to make: %w", explain(err))
	}
	return next, hooks, nil
}

const sqlMove = `update delivery_cursor set next = $2 where next = $1`

// sqlHook puts a webhook that its owner changed back to health: it may be mended.
const sqlHook = `
insert into webhook (id, org, url, events, active) values ($1, $2, $3, $4, $5)
on conflict (org, id) do update set url = excluded.url, events = excluded.events, active = excluded.active,
	failures = 0, held_until = '-infinity', disabled_at = null`

const sqlRetired = `
update delivery set state = 'dead', last_error = 'the webhook was retired', changed_at = now()
where org = $1 and webhook = $2 and state = 'waiting'`

const sqlMake = `
insert into delivery (id, org, webhook, idx, event, body)
select * from unnest($1::uuid[], $2::uuid[], $3::uuid[], $4::bigint[], $5::text[], $6::bytea[])`

var errMovedOn = errors.New("another process was faster")

// Make writes deliveries and changed webhooks and moves the number on, all or nothing.
func (d *DB) Make(ctx context.Context, from, to uint64, changed []notify.Hook, deliveries []notify.Delivery) (bool, error) {
	err := pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		moved, err := tx.Exec(ctx, sqlMove, int64(from), int64(to))
		if err == nil && moved.RowsAffected() == 0 {
			return errMovedOn
		}
		for _, h := range changed {
			if err == nil {
				_, err = tx.Exec(ctx, sqlHook, given(h.ID), given(h.Org), h.URL, h.Events, h.Active)
			}
			if err == nil && !h.Active {
				_, err = tx.Exec(ctx, sqlRetired, given(h.Org), given(h.ID))
			}
		}
		if err != nil || len(deliveries) == 0 {
			return err
		}
		var id, org, hook pgtype.FlatArray[pgtype.UUID]
		var idx pgtype.FlatArray[int64]
		var event pgtype.FlatArray[string]
		var body pgtype.FlatArray[[]byte]
		for _, v := range deliveries {
			id, org, hook = append(id, given(v.ID)), append(org, given(v.Org)), append(hook, given(v.Webhook))
			idx, event, body = append(idx, int64(v.Index)), append(event, v.Event), append(body, v.Body)
		}
		_, err = tx.Exec(ctx, sqlMake, id, org, hook, idx, event, body)
		return err
	})
	if errors.Is(err, errMovedOn) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("make deliveries: %w", explain(err))
	}
	return true, nil
}

// sqlTake hands out and leases in one statement. Each webhook gives the few that are due longest, less what of it is
// leased; those that another process is handing out are passed by. Organisations take turns: the one with the least under way
// comes next, and none has more than its share, however many webhooks it has and however slowly they answer.
const sqlTake = `
with hook as (
	select org, id, url, failures, held_until, (select count(*) from delivery
		where org = h.org and webhook = h.id and state = 'waiting' and leased_until > now()) as leased
	from webhook h where active and disabled_at is null and (failures > 0) = $1
), under_way as (
	select org, sum(leased) as leased from hook group by org
), candidate as (
	select d.id, d.next_try, h.url, h.failures, u.leased + row_number() over (partition by h.org order by d.next_try) as turn
	from hook h join under_way u on u.org = h.org cross join lateral (
		select id, next_try from delivery
		where org = h.org and webhook = h.id and state = 'waiting' and next_try <= now() and leased_until <= now()
		order by next_try
		limit greatest(0, $3 - h.leased)
		for update skip locked
	) d
	where h.held_until <= now()
		and exists (select from webhook_secret s where s.org = h.org and s.webhook = h.id and s.until > now())
), due as (
	select id, url, failures from candidate where turn <= $5 order by turn, next_try limit $2
)
update delivery set attempts = attempts + 1, leased_until = now() + make_interval(secs => $4), changed_at = now()
from due where delivery.id = due.id
returning delivery.id, webhook, url, body, attempts, failures,
	(select array_agg(id order by made_at desc) from webhook_secret s where s.org = delivery.org and s.webhook = delivery.webhook and until > now()),
	(select array_agg(wrapped order by made_at desc) from webhook_secret s where s.org = delivery.org and s.webhook = delivery.webhook and until > now())`

// Take hands out deliveries whose time has come, under a lease.
func (d *DB) Take(ctx context.Context, troubled bool, most, each, ofOrg int, lease time.Duration) ([]notify.Due, error) {
	rows, err := d.writer.Query(ctx, sqlTake, troubled, most, each, lease.Seconds(), ofOrg)
	if err == nil {
		var due []notify.Due
		if due, err = pgx.CollectRows(rows, dueOf); err == nil {
			return due, nil
		}
	}
	if broken(err) {
		d.writer.Reset() // what was handed out all the same comes again when its lease is over
	}
	return nil, fmt.Errorf("hand out deliveries: %w", explain(err))
}

func dueOf(row pgx.CollectableRow) (v notify.Due, err error) {
	var id, hook pgtype.UUID
	var secrets []pgtype.UUID
	var wrapped [][]byte
	if err := row.Scan(&id, &hook, &v.URL, &v.Body, &v.Attempts, &v.Failures, &secrets, &wrapped); err != nil {
		return v, err
	}
	v.ID, v.Webhook = id.Bytes, hook.Bytes
	for i := range secrets {
		v.Secrets = append(v.Secrets, trail.WrappedKey{ID: secrets[i].Bytes, Box: wrapped[i]})
	}
	return v, nil
}

// sqlArrived and sqlFailed change nothing when the delivery was handed out again since.
const sqlArrived = `
with done as (
	update delivery set state = 'done', leased_until = '-infinity', last_status = $3, last_error = null, changed_at = now()
	where id = $1 and attempts = $2 and state = 'waiting' returning org, webhook
)
update webhook set failures = 0, held_until = '-infinity' from done where webhook.org = done.org and webhook.id = done.webhook and failures > 0`

// Arrived notes that a delivery arrived.
func (d *DB) Arrived(ctx context.Context, v notify.Due, status int) error {
	if _, err := d.writer.Exec(ctx, sqlArrived, given(v.ID), v.Attempts, status); err != nil {
		return fmt.Errorf("note that a delivery arrived: %w", explain(err))
	}
	return nil
}

const sqlFailed = `
with failed as (
	update delivery set state = case when $5 then 'dead' else 'waiting' end, leased_until = '-infinity',
		next_try = now() + make_interval(secs => $6), last_status = nullif($3, 0), last_error = $4, changed_at = now()
	where id = $1 and attempts = $2 and state = 'waiting' returning org, webhook
)
update webhook set failures = failures + 1, held_until = greatest(held_until, now() + make_interval(secs => $7)),
	disabled_at = case when $8 then now() else disabled_at end
from failed where webhook.org = failed.org and webhook.id = failed.webhook`

// Failed notes that it did not.
func (d *DB) Failed(ctx context.Context, v notify.Due, f notify.Failure) error {
	if _, err := d.writer.Exec(ctx, sqlFailed, given(v.ID), v.Attempts, f.Status, f.Error, f.Dead, f.Next.Seconds(), f.Hold.Seconds(),
		f.Gone); err != nil {
		return fmt.Errorf("note that a delivery did not arrive: %w", explain(err))
	}
	return nil
}

const sqlGiveUp = `
update delivery set state = 'dead', last_error = coalesce(last_error, 'it could not be sent in time'), changed_at = now()
where state = 'waiting' and since < now() - make_interval(secs => $1) and leased_until <= now()`

const sqlClear = `
delete from delivery where (state = 'done' and changed_at < now() - make_interval(secs => $1))
	or (state = 'dead' and changed_at < now() - make_interval(secs => $2))`

const sqlOldSecrets = `delete from webhook_secret where until < now()`

// Sweep gives up what has waited longer than the time and removes what is over for longer.
func (d *DB) Sweep(ctx context.Context, waiting, done, dead time.Duration) error {
	_, err := d.writer.Exec(ctx, sqlGiveUp, waiting.Seconds())
	if err == nil {
		_, err = d.writer.Exec(ctx, sqlClear, done.Seconds(), dead.Seconds())
	}
	if err == nil {
		_, err = d.writer.Exec(ctx, sqlOldSecrets)
	}
	if err != nil {
		return fmt.Errorf("clear deliveries away: %w", explain(err))
	}
	return nil
}

var _ notify.Store = (*DB)(nil)
