-- +goose Up

-- Which desk had claimed which calibration, and up to where it saw it. The head row forgets a claim when it ends.
create table claim (
    desk       uuid        not null,
    stream     uuid        not null,
    shop       uuid        not null,
    job        uuid,
    last_seq   bigint,
    last_at    timestamptz,
    waited_seq bigint,
    waited_at  timestamptz,
    constraint claim_pkey primary key (desk, stream)
);

create index claim_by_job on claim (desk, job) where job is not null;
create index claim_by_stream on claim (stream);

comment on table claim is
    'The calibrations that a desk has or had claimed: what it saw then it may read for good. Written by the statement that appends the entry; can be made again from the entries.';
comment on column claim.desk is 'The desk.';
comment on column claim.stream is 'The calibration.';
comment on column claim.shop is 'The organisation that owns it.';
comment on column claim.job is 'Its job.';
comment on column claim.last_seq is 'Number of the entry that ended the desk''s last claim; null while it has never ended.';
comment on column claim.last_at is 'Time of that entry: the job is read up to there.';
comment on column claim.waited_seq is 'Number of the last entry while the calibration last waited for a desk, which every desk of an agreement saw; null if it has not waited since this desk first claimed it.';
comment on column claim.waited_at is 'Time of that entry.';
comment on index claim_pkey is 'One row for a desk and a calibration, however often it was claimed.';
comment on index claim_by_job is 'What a desk had of a job.';
comment on index claim_by_stream is 'All desks that had a calibration.';

insert into claim (desk, stream, shop, job) select desk, stream, org, job from head where desk is not null;

-- +goose StatementBegin
create function note_claim() returns trigger
    language plpgsql
    set search_path = readback, pg_catalog, pg_temp
as $$
begin
    if tg_op = 'UPDATE' then
        if old.desk is not null and new.desk is distinct from old.desk then
            update claim set last_seq = new.seq, last_at = new.changed_at where desk = old.desk and stream = new.stream;
        end if;
        if old.desk is null and (old.queued_at is not null or old.phase = 'stopped')
            and (new.desk is not null or not (new.queued_at is not null or new.phase = 'stopped')) then
            update claim set waited_seq = new.seq - 1, waited_at = old.changed_at where stream = new.stream;
        end if;
    end if;
    if new.desk is not null then
        insert into claim (desk, stream, shop, job) values (new.desk, new.stream, new.org, new.job) on conflict do nothing;
    end if;
    return null;
end
$$;
-- +goose StatementEnd

comment on function note_claim() is 'Keeps the table claim while claims of head rows begin and end.';

create trigger head_opens_claimed after insert on head
    for each row when (new.desk is not null) execute function note_claim();
create trigger head_changes_claim after update on head
    for each row when (old.desk is distinct from new.desk or old.desk is null and old.phase is distinct from new.phase)
    execute function note_claim();

comment on trigger head_opens_claimed on head is 'A row written anew with a claim in it.';
comment on trigger head_changes_claim on head is 'A claim begins or ends, or waiting for one does. Most entries change neither.';

-- Row-level security. The role readback_reader reads on behalf of one organisation, which it names with
-- set_config('readback.asking', id, true) in the transaction of its query, and sees nothing until it has. The role
-- readback_hub, which folds every stream, sees all; so does the writer, of the columns it is granted.

create function asking() returns uuid
    language sql stable parallel safe
    return nullif(current_setting('readback.asking', true), '')::uuid;

comment on function asking() is 'The organisation on whose behalf the transaction reads; null if it said none.';

create function asked_stream() returns uuid
    language sql stable parallel safe
    return nullif(current_setting('readback.stream', true), '')::uuid;

comment on function asked_stream() is
    'The one stream whose entries the transaction reads, if it says so. That gives no right: whether it may be seen is then looked up once, and not for each entry.';

-- plpgsql, because it keeps its plan
-- +goose StatementBegin
create function agreed_shops() returns uuid[]
    language plpgsql stable security definer
    set search_path = readback, pg_catalog, pg_temp
as $$
begin
    return (select coalesce(array_agg(stream order by stream), '{}') from head
        where kind = 'register' and summary -> 'agreements' @> to_jsonb(asking()::text));
end
$$;
-- +goose StatementEnd

comment on function agreed_shops() is
    'The organisations that have an agreement with the asking one now. It runs as the owner of the tables, who sees registers only: a policy cannot ask the table it is of.';

revoke all on function agreed_shops() from public;
grant execute on function agreed_shops() to readback_reader;

alter table entry enable row level security;
alter table entry force row level security;
alter table head enable row level security;
alter table head force row level security;
alter table claim enable row level security;
alter table claim force row level security;

-- A list's row is for its owner; for the desk that has claimed the calibration; for desks of an agreement while the
-- calibration waits; and a register's row for the desks that the organisation has an agreement with. A stop
-- leaves no trace here of whether a specialist was asked for before it: there the rows of stopped calibrations that nobody
-- claimed are one step wider than what the program lets a desk see.
create policy asking_sees on head for select to readback_reader using (
    org = (select asking())
    or desk = (select asking())
    or kind = 'calibration' and desk is null and (queued_at is not null or phase = 'stopped')
        and org = any ((select agreed_shops())::uuid[])
    or kind = 'register' and stream = any ((select agreed_shops())::uuid[])
);
create policy hub_sees_all on head for select to readback_hub using (true);
create policy writer_keeps on head to readback_writer using (true) with check (true);
create policy owner_finds_agreements on head for select to readback_owner using (kind = 'register');

-- An entry is for whoever sees its stream's row, a job's also for whoever sees the row of one of its calibrations; and for
-- a desk whose claim is over, up to where it saw the stream. The subqueries run under the policies of their own tables.
-- They are scalar so that none is turned into a scan of everything that may be seen; the first two run once.
create policy asking_sees on entry for select to readback_reader using (
    stream = (select h.stream from head h where h.stream = asked_stream())
    or stream = (select c.job from head c where c.job = asked_stream() limit 1)
    or (select true from head h where h.stream = entry.stream)
    or kind = 'job' and (select true from head c where c.job = entry.stream limit 1)
    or kind = 'calibration' and (
        select entry.seq <= greatest(c.last_seq, case when c.shop = any ((select agreed_shops())::uuid[]) then c.waited_seq end)
        from claim c where c.stream = entry.stream)
    or kind = 'job' and (
        select entry.at <= max(greatest(c.last_at, case when c.shop = any ((select agreed_shops())::uuid[]) then c.waited_at end))
        from claim c where c.job = entry.stream)
);
create policy hub_sees_all on entry for select to readback_hub using (true);
create policy writer_sees_all on entry for select to readback_writer using (true);
create policy writer_adds on entry for insert to readback_writer with check (true);

create policy asking_sees on claim for select to readback_reader using (desk = (select asking()));
create policy writer_keeps on claim to readback_writer using (true) with check (true);

comment on policy asking_sees on head is 'Rows of lists, for the organisation the transaction reads for.';
comment on policy hub_sees_all on head is 'Following, verifying, and finding a job''s calibrations.';
comment on policy writer_keeps on head is 'Appending.';
comment on policy owner_finds_agreements on head is 'For agreed_shops. The owner sees no other row, nor any entry: a migration that must change some gives itself a policy.';
comment on policy asking_sees on entry is 'Entries, for the organisation the transaction reads for.';
comment on policy hub_sees_all on entry is 'Folding, following and verifying.';
comment on policy writer_sees_all on entry is 'What an append returns and compares.';
comment on policy writer_adds on entry is 'Appending.';
comment on policy asking_sees on claim is 'A desk''s own claims, for the organisation the transaction reads for.';
comment on policy writer_keeps on claim is 'Appending.';

grant select on entry, head to readback_hub;
grant select on goose_db_version to readback_hub;
grant select on claim to readback_reader;
grant select, insert, update on claim to readback_writer;

-- Nobody reads on anybody's behalf who runs what, nor all streams in one order.
revoke select on running, leaf from readback_reader;
grant select on leaf to readback_hub;
