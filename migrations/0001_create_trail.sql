-- +goose Up

-- Runs as readback_owner, which owns the schema readback and everything in it and cannot log in.

create table entry (
    stream     uuid        not null,
    seq        bigint      not null,
    kind       text        not null,
    type       text        not null,
    v          integer     not null,
    at         timestamptz not null,
    actor      uuid        not null,
    command_id uuid        not null,
    body       bytea       not null,
    prev       bytea       not null,
    hash       bytea       not null,
    tx         xid8        not null default pg_current_xact_id(),
    constraint entry_pkey primary key (stream, seq),
    constraint entry_command_once unique (stream, command_id),
    constraint entry_seq_from_one check (seq >= 1),
    constraint entry_kind_known check (kind in ('register', 'job', 'calibration')),
    constraint entry_type_length check (octet_length(type) between 1 and 64),
    constraint entry_v_from_one check (v >= 1),
    constraint entry_body_length check (octet_length(body) between 2 and 1048576),
    constraint entry_prev_length check (octet_length(prev) = 32),
    constraint entry_hash_length check (octet_length(hash) = 32)
);

create index entry_by_tx on entry (tx);

comment on table entry is
    'The audit trail and the state: one row per decided command, never changed, never deleted. No foreign keys: they would serialise appends on the row they point at.';
comment on column entry.stream is 'The stream the entry belongs to: an organisation''s register (id of the organisation), a job or a calibration.';
comment on column entry.seq is 'Number within the stream, from 1, without gaps. The primary key is what decides between two nodes that append at once.';
comment on column entry.kind is 'Kind of stream; the same in every entry of one stream.';
comment on column entry.type is 'What happened, such as readings-reported.';
comment on column entry.v is 'Version of the entry type.';
comment on column entry.at is 'When it was decided, by the deciding node''s clock corrected by the database''s; never earlier than the entry before. UTC.';
comment on column entry.actor is 'The member who gave the command.';
comment on column entry.command_id is 'Id of the command, chosen by its sender; at most one entry of a stream answers it.';
comment on column entry.body is 'The entry as RFC 8785 canonical JSON: the very bytes that were hashed. The other columns repeat it for queries. Personal values in it are encrypted.';
comment on column entry.prev is 'Hash of the entry before; 32 zero bytes in the first.';
comment on column entry.hash is 'SHA-256 over a domain tag, prev and body.';
comment on column entry.tx is 'The transaction that wrote the row. Readers that follow all entries take rows below the oldest transaction still running; a dump restored into another cluster must have it reset.';
comment on constraint entry_command_once on entry is 'A resent command cannot make a second entry.';
comment on index entry_pkey is 'A stream in order, and the fence between nodes.';
comment on index entry_command_once is 'Finds the answer a command id got.';
comment on index entry_by_tx is 'For following all streams in the order of commitment.';

-- +goose StatementBegin
create function refuse_change() returns trigger
    language plpgsql
    set search_path = pg_catalog
as $$
begin
    raise exception '% of % is refused: the trail is only ever added to', tg_op, tg_table_name
        using errcode = 'RB001';
end
$$;
-- +goose StatementEnd

comment on function refuse_change() is 'Refuses the statement it is called for. SQLSTATE RB001.';

create trigger entry_append_only
    before update or delete or truncate on entry
    for each statement execute function refuse_change();

-- always: also in sessions with session_replication_role = replica, where ordinary triggers sleep
alter table entry enable always trigger entry_append_only;

comment on trigger entry_append_only on entry is
    'Refuses UPDATE, DELETE and TRUNCATE to everyone, superusers included. Whoever owns the table can drop it; against that stand the hash chain and signed heads kept elsewhere.';

create table head (
    stream     uuid        not null,
    kind       text        not null,
    org        uuid        not null,
    job        uuid,
    desk       uuid,
    phase      text        not null,
    queued_at  timestamptz,
    seq        bigint      not null,
    hash       bytea       not null,
    summary    jsonb       not null,
    changed_at timestamptz not null,
    constraint head_pkey primary key (stream),
    constraint head_kind_known check (kind in ('register', 'job', 'calibration')),
    constraint head_phase_length check (octet_length(phase) between 1 and 64),
    constraint head_seq_from_one check (seq >= 1),
    constraint head_hash_length check (octet_length(hash) = 32)
) with (fillfactor = 70, autovacuum_vacuum_scale_factor = 0.05);

create index head_by_org on head (org, kind, phase, stream);
create index head_by_job on head (job, stream) where job is not null;
create index head_by_desk on head (desk, phase, stream) where desk is not null;
create index head_registers on head (stream) where kind = 'register';
create index head_waiting on head (org, queued_at, stream) where queued_at is not null;

comment on table head is
    'One row per stream: how far it is and what lists show of it. Written in the statement of the entry; can be made again from the entries. The fill factor leaves room on the page, so that an entry that changes no indexed column touches no index.';
comment on column head.stream is 'The stream.';
comment on column head.kind is 'Kind of stream.';
comment on column head.org is 'The organisation that owns the stream.';
comment on column head.job is 'The job a calibration belongs to.';
comment on column head.desk is 'The desk that has claimed the calibration, as long as its claim stands.';
comment on column head.phase is 'A calibration''s phase; open for other kinds.';
comment on column head.queued_at is 'Waiting for a specialist since; null when not waiting.';
comment on column head.seq is 'Number of the last entry.';
comment on column head.hash is 'Hash of the last entry. A stream whose tail was removed shows against it.';
comment on column head.summary is 'What lists show, as it is shown; nothing personal.';
comment on column head.changed_at is 'Time of the last entry.';
comment on index head_pkey is 'The row of a stream.';
comment on index head_by_org is 'An organisation''s lists. Streams have time-ordered ids, so the newest are last.';
comment on index head_by_job is 'The calibrations of a job.';
comment on index head_by_desk is 'A desk''s claimed calibrations.';
comment on index head_registers is 'The organisations, to find those that have an agreement with a desk. An index on the summary itself would be changed by every entry of every stream.';
comment on index head_waiting is 'The queue, shop by shop, longest waiting first.';

create table running (
    specialist uuid   not null,
    stream     uuid   not null,
    seq        bigint not null,
    constraint running_pkey primary key (specialist)
);

comment on table running is
    'Which specialist runs a routine on which vehicle. The primary key is the rule that nobody runs two; the row is written by the entry that starts a leg and removed by the one that ends it.';
comment on column running.specialist is 'The specialist.';
comment on column running.stream is 'The calibration whose leg runs.';
comment on column running.seq is 'Number of the entry that started the leg.';
comment on index running_pkey is 'One running routine per specialist.';

create table stream_key (
    id      uuid  not null,
    stream  uuid  not null,
    wrapped bytea not null,
    constraint stream_key_pkey primary key (id),
    constraint stream_key_one_per_stream unique (stream),
    constraint stream_key_wrapped_length check (octet_length(wrapped) between 1 and 1024)
);

comment on table stream_key is
    'The keys personal values are encrypted under, wrapped by a key that is never in the database. Deleting a row erases what it encrypted; the trail stays whole.';
comment on column stream_key.id is 'The key, as entries name it.';
comment on column stream_key.stream is 'The stream it was made for.';
comment on column stream_key.wrapped is 'A nonce and the key, encrypted. The stream''s first entry has a commitment to the key.';
comment on index stream_key_pkey is 'A key by its id.';
comment on index stream_key_one_per_stream is 'A stream has at most one key.';

create table account (
    member        uuid        not null,
    org           uuid        not null,
    login         text        not null,
    password_hash text        not null,
    disabled      boolean     not null default false,
    created_at    timestamptz not null default now(),
    constraint account_pkey primary key (member),
    constraint account_login_once unique (login),
    constraint account_login_folded check (login = lower(login)),
    constraint account_login_length check (octet_length(login) between 1 and 254)
);

comment on table account is 'How members sign in. What a member may do stands in the register of the organisation, not here.';
comment on column account.member is 'The member, as entries name the actor.';
comment on column account.org is 'The organisation whose register holds the member.';
comment on column account.login is 'The name to sign in with, in lower case.';
comment on column account.password_hash is 'Argon2id in PHC form.';
comment on column account.disabled is 'No sign-in while true.';
comment on column account.created_at is 'When the account was made.';
comment on index account_pkey is 'A member has one account.';
comment on index account_login_once is 'A login is one member''s, whatever the case it is typed in.';

-- The writer adds; it reads what its own statements return and compare, and what signing in and unsealing need.
grant insert on entry to readback_writer;
grant select (stream, seq, hash) on entry to readback_writer;
grant select, insert, update on head to readback_writer;
grant select, insert, delete on running to readback_writer;
grant select, insert, delete on stream_key to readback_writer;
grant select, insert, update on account to readback_writer;

-- The reader sees the trail and the lists, no keys and no passwords.
grant select on entry, head, running to readback_reader;

-- Both look whether the schema is theirs.
grant select on goose_db_version to readback_reader, readback_writer;
comment on table goose_db_version is 'Which migrations this database has had; kept by the migration tool.';
