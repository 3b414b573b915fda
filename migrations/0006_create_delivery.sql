-- +goose Up

-- Webhooks: who is told of what, made from the registers' entries; their secrets; and what was sent.

create table webhook (
    id          uuid        not null,
    org         uuid        not null,
    url         text        not null,
    events      text[]      not null,
    active      boolean     not null,
    failures    integer     not null default 0,
    held_until  timestamptz not null default '-infinity',
    disabled_at timestamptz,
    constraint webhook_pkey primary key (id),
    constraint webhook_failures_from_zero check (failures >= 0)
);

create index webhook_by_org on webhook (org);

comment on table webhook is
    'The webhooks as of the last entry that deliveries were made for: the registers say what they are, this is what the entries after that meet. How they fare is added here.';
comment on column webhook.id is 'The webhook, as the register names it.';
comment on column webhook.org is 'The organisation whose register holds it.';
comment on column webhook.url is 'Where it is sent.';
comment on column webhook.events is 'What it is told of.';
comment on column webhook.active is 'False once it is retired.';
comment on column webhook.failures is 'Deliveries that failed in a row, by the receiver''s fault; 0 after one that arrived.';
comment on column webhook.held_until is 'Nothing is sent before, so that a receiver in trouble is not pressed and holds nobody up.';
comment on column webhook.disabled_at is 'Since when nothing is sent, because the receiver said 410 Gone; null while it is sent to.';
comment on index webhook_pkey is 'A webhook by its id.';
comment on index webhook_by_org is 'An organisation''s webhooks.';

create table webhook_secret (
    id       uuid        not null,
    webhook  uuid        not null,
    wrapped  bytea       not null,
    made_at  timestamptz not null default now(),
    until    timestamptz not null default 'infinity',
    constraint webhook_secret_pkey primary key (id),
    constraint webhook_secret_wrapped_length check (octet_length(wrapped) between 1 and 1024)
);

create index webhook_secret_of on webhook_secret (webhook, made_at);

comment on table webhook_secret is
    'The secrets that deliveries are signed with, wrapped by a key that is never in the database.';
comment on column webhook_secret.id is 'The secret; it is bound into the encryption.';
comment on column webhook_secret.webhook is 'Whose it is.';
comment on column webhook_secret.wrapped is 'A nonce and the secret, encrypted.';
comment on column webhook_secret.made_at is 'When it was made. The newest is the one its owner was shown last.';
comment on column webhook_secret.until is 'Until when deliveries are signed with it too, once there is a newer one.';
comment on index webhook_secret_pkey is 'A secret by its id.';
comment on index webhook_secret_of is 'A webhook''s secrets, by age.';

create table delivery (
    id           uuid        not null,
    webhook      uuid        not null,
    idx          bigint      not null,
    event        text        not null,
    body         bytea       not null,
    state        text        not null default 'waiting',
    attempts     integer     not null default 0,
    next_try     timestamptz not null default now(),
    leased_until timestamptz not null default '-infinity',
    last_status  integer,
    last_error   text,
    since        timestamptz not null default now(),
    changed_at   timestamptz not null default now(),
    constraint delivery_pkey primary key (id),
    constraint delivery_once unique (webhook, idx),
    constraint delivery_state_known check (state in ('waiting', 'done', 'dead')),
    constraint delivery_body_length check (octet_length(body) between 2 and 20000)
) with (fillfactor = 70);

create index delivery_due on delivery (webhook, next_try) where state = 'waiting';
create index delivery_by_state on delivery (webhook, state, id);
create index delivery_old on delivery (changed_at) where state <> 'waiting';

comment on table delivery is
    'What is or was to be sent: one row per entry and webhook that wants it. Those that are done or given up are removed after a while.';
comment on column delivery.id is 'The webhook-id its receiver sees: the same however often it is sent.';
comment on column delivery.webhook is 'Whom it is for.';
comment on column delivery.idx is 'The entry''s number in the order of all.';
comment on column delivery.event is 'What the entry is called towards webhooks.';
comment on column delivery.body is 'What is sent, byte for byte.';
comment on column delivery.state is 'waiting: it is sent, again or still; done: it arrived; dead: given up, until someone has it sent again.';
comment on column delivery.attempts is 'How often it was handed out to be sent.';
comment on column delivery.next_try is 'Not sent before.';
comment on column delivery.leased_until is 'Somebody sends it now, unless that was until a time that is past: then it is handed out again.';
comment on column delivery.last_status is 'The HTTP status it was answered with last; null if it never was.';
comment on column delivery.last_error is 'Why it did not arrive, last.';
comment on column delivery.since is 'When it began to wait: made from the entry, or asked for again. It is given up some days after that.';
comment on column delivery.changed_at is 'When something became of it last.';
comment on index delivery_pkey is 'A delivery by its id.';
comment on index delivery_once is 'One delivery per entry and webhook.';
comment on index delivery_due is 'What is to be sent next.';
comment on index delivery_by_state is 'Lists of a webhook''s deliveries.';
comment on index delivery_old is 'What may be removed.';

create table delivery_cursor (
    single boolean not null default true,
    next   bigint  not null default 0,
    constraint delivery_cursor_pkey primary key (single),
    constraint delivery_cursor_one_row check (single)
);

comment on table delivery_cursor is 'Up to which entry deliveries were made: one row.';
comment on column delivery_cursor.single is 'Always true: there is one row.';
comment on column delivery_cursor.next is 'The number, in the order of all entries, of the next to make deliveries for.';
comment on index delivery_cursor_pkey is 'There is one row.';

insert into delivery_cursor default values;

grant select, insert, update on webhook to readback_writer;
grant select, insert, update, delete on webhook_secret, delivery to readback_writer;
grant select, update on delivery_cursor to readback_writer;
