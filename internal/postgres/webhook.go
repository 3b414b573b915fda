package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// sqlHold makes sure that the webhook has a row. Deliveries are made for it, and it becomes active, once its entry is come to.
const sqlHold = `
insert into webhook (org, id, url, events, active) values ($1, $2, '', '{}', false) on conflict do nothing`

// sqlAddSecret keeps the newest few: those before are good for a while beside the new one.
const sqlAddSecret = `
with known as (
	select id, row_number() over (order by made_at desc) as age from webhook_secret where org = $2 and webhook = $3
), earlier as (
	update webhook_secret s set until = least(until, now() + make_interval(secs => $5)) from known where s.id = known.id and age <= $6
), dropped as (
	delete from webhook_secret s using known where s.id = known.id and age > $6
)
insert into webhook_secret (id, org, webhook, wrapped) values ($1, $2, $3, $4)`

// mostSecrets is how many a delivery is signed with at most, the new one too.
const mostSecrets = 4

// AddSecret gives a webhook of the organisation a new secret. The ones before are used beside it for the time given.
func (d *DB) AddSecret(ctx context.Context, org, webhook stream.ID, secret trail.WrappedKey, beside time.Duration) error {
	err := pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sqlHold, given(org), given(webhook)); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, sqlAddSecret, given(secret.ID), given(org), given(webhook), secret.Box, beside.Seconds(), mostSecrets-1)
		return err
	})
	if err != nil {
		return fmt.Errorf("keep a secret: %w", explain(err))
	}
	return nil
}

// WebhookHealth is how a webhook fares.
type WebhookHealth struct {
	Webhook             stream.ID
	Secrets             int // it is signed with now; 0: nothing is sent
	Waiting, Done, Dead int // deliveries; those that are over long ago are not counted
	Failures            int // in a row
	HeldUntil           *time.Time
	DisabledAt          *time.Time
	LastError           string // of the delivery that failed last and has not arrived since
	LastErrorAt         *time.Time
}

const sqlHealth = `
select asked.id, (select count(*) from webhook_secret s where s.org = h.org and s.webhook = h.id and s.until > now()),
	count(*) filter (where d.state = 'waiting'), count(*) filter (where d.state = 'done'), count(*) filter (where d.state = 'dead'),
	coalesce(h.failures, 0), case when h.held_until > now() then h.held_until end, h.disabled_at,
	coalesce((array_agg(d.last_error order by d.changed_at desc) filter (where d.last_error is not null))[1], ''),
	max(d.changed_at) filter (where d.last_error is not null)
from unnest($1::uuid[]) as asked (id) left join webhook h on h.org = $2 and h.id = asked.id
	left join delivery d on d.org = h.org and d.webhook = h.id
group by asked.id, h.org, h.id, h.failures, h.held_until, h.disabled_at`

// Health says how webhooks of the organisation fare.
func (d *DB) Health(ctx context.Context, org stream.ID, webhooks []stream.ID) ([]WebhookHealth, error) {
	ids := make(pgtype.FlatArray[pgtype.UUID], len(webhooks))
	for i, id := range webhooks {
		ids[i] = given(id)
	}
	all, err := reading(d.writer, func() ([]WebhookHealth, error) {
		rows, err := d.writer.Query(ctx, sqlHealth, ids, given(org))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (h WebhookHealth, err error) {
			var id pgtype.UUID
			err = row.Scan(&id, &h.Secrets, &h.Waiting, &h.Done, &h.Dead, &h.Failures, &h.HeldUntil, &h.DisabledAt, &h.LastError, &h.LastErrorAt)
			h.Webhook = id.Bytes
			return h, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("look how webhooks fare: %w", explain(err))
	}
	return all, nil
}

const sqlEnable = `
update webhook set failures = 0, held_until = '-infinity', disabled_at = null where org = $1 and id = $2`

// Enable sends to a webhook of the organisation again, at once.
func (d *DB) Enable(ctx context.Context, org, webhook stream.ID) error {
	if _, err := d.writer.Exec(ctx, sqlEnable, given(org), given(webhook)); err != nil {
		return fmt.Errorf("enable a webhook: %w", explain(err))
	}
	return nil
}

// DeliveryRow is a delivery in a list.
type DeliveryRow struct {
	ID         stream.ID
	Event      string
	State      string
	Attempts   int
	NextTry    time.Time
	LastStatus *int
	LastError  *string
	Body       []byte
	ChangedAt  time.Time
}

const sqlDeliveries = `
select id, event, state, attempts, next_try, last_status, last_error, body, changed_at from delivery
where org = $1 and webhook = $2 and ($3 = '' or state = $3) and ($4::uuid is null or id < $4)
order by id desc limit $5`

// Deliveries gives one page of the deliveries of a webhook of the organisation, the newest first. state "" is any; before is the last of the page
// before, or nil.
func (d *DB) Deliveries(ctx context.Context, org, webhook stream.ID, state string, before *stream.ID, most int) ([]DeliveryRow, error) {
	all, err := reading(d.writer, func() ([]DeliveryRow, error) {
		rows, err := d.writer.Query(ctx, sqlDeliveries, given(org), given(webhook), state, maybe(before), limit(most))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (r DeliveryRow, err error) {
			var id pgtype.UUID
			err = row.Scan(&id, &r.Event, &r.State, &r.Attempts, &r.NextTry, &r.LastStatus, &r.LastError, &r.Body, &r.ChangedAt)
			r.ID = id.Bytes
			return r, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("list deliveries: %w", explain(err))
	}
	return all, nil
}

const sqlAgain = `
update delivery set state = 'waiting', attempts = 0, next_try = now(), leased_until = '-infinity', since = now(), changed_at = now()
where org = $1 and webhook = $2 and id = $3 and state <> 'waiting'`

const sqlDelivery = `select exists (select from delivery where org = $1 and webhook = $2 and id = $3)`

// Again has a delivery that is over sent again, under the id it had.
func (d *DB) Again(ctx context.Context, org, webhook, delivery stream.ID) error {
	done, err := d.writer.Exec(ctx, sqlAgain, given(org), given(webhook), given(delivery))
	if err == nil && done.RowsAffected() == 1 {
		return nil
	}
	var there bool
	if err == nil {
		err = d.writer.QueryRow(ctx, sqlDelivery, given(org), given(webhook), given(delivery)).Scan(&there)
	}
	switch {
	case err != nil:
		return fmt.Errorf("send a delivery again: %w", explain(err))
	case there:
		return fault.New(fault.WrongPhase, "The delivery is waiting to be sent already.")
	}
	return fault.New(fault.NotHere, "There is no such delivery.")
}
