-- +goose Up

-- Who is still there: a claim stands as long as its specialist is heard of.
create table lease (
    stream       uuid        not null,
    member       uuid        not null,
    claimed_at   timestamptz not null,
    heard_at     timestamptz not null,
    trying_until timestamptz not null default '-infinity',
    constraint lease_pkey primary key (stream)
) with (fillfactor = 70);

comment on table lease is
    'When the specialist who holds a claim was heard of last: one row per claim that stands. No part of the trail: what follows from it is an entry.';
comment on column lease.stream is 'The calibration.';
comment on column lease.member is 'The specialist who holds the claim.';
comment on column lease.claimed_at is 'Since when, as the head row says: another claim begins anew, also one of the same specialist.';
comment on column lease.heard_at is 'When the specialist had a connection or asked something, by the clock of the database; exact to the interval at which nodes write it.';
comment on column lease.trying_until is 'Somebody lets the claim lapse now, unless that was until a time that is past: then it is tried again.';
comment on index lease_pkey is 'One lease per claim.';

create table lease_watch (
    single  boolean     not null default true,
    since   timestamptz not null default '-infinity',
    seen_at timestamptz not null default '-infinity',
    constraint lease_watch_pkey primary key (single),
    constraint lease_watch_one_row check (single)
);

comment on table lease_watch is 'Since when it is known who is there: one row.';
comment on column lease_watch.single is 'Always true: there is one row.';
comment on column lease_watch.since is 'Since when nodes have written leases without a gap. What was not heard before it says nothing: nobody could write it.';
comment on column lease_watch.seen_at is 'When a node wrote last.';
comment on index lease_watch_pkey is 'There is one row.';

insert into lease_watch default values;

grant select, insert, update, delete on lease to readback_writer;
grant select, update on lease_watch to readback_writer;

create index head_in_hand on head (stream) where desk is not null and phase in ('guided', 'running', 'stopped');
comment on index head_in_hand is 'The claims that stand, of whatever desk.';

-- The queue goes by due times, so that no urgent request is missed behind many that have waited longer.
alter table head add column due_at timestamptz;
comment on column head.due_at is 'While waiting for a specialist: what the order of the queue goes by. It changes with the urgency of the request, not with each entry.';

drop index head_waiting;
create index head_waiting on head (org, due_at, stream) where queued_at is not null;
comment on index head_waiting is 'The queue, shop by shop, the most urgent first.';
