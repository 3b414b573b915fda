-- +goose Up

-- What a job is found by years later, without its plate and VIN standing anywhere in the clear.
create table clue (
    clue bytea not null,
    job  uuid  not null,
    key  uuid  not null,
    constraint clue_pkey primary key (clue, job),
    constraint clue_sealed_by foreign key (key) references stream_key (id) on delete cascade,
    constraint clue_length check (octet_length(clue) = 16)
);

create index clue_by_key on clue (key);
create index clue_by_job on clue (job);

comment on table clue is
    'Keyed hashes of the plates and VINs that were entered for a job. The key is derived from the wrapping key, which is never in the database: who has only this sees which jobs are of one car, and not of which. They go with the job''s key. Written by the statement that appends; can be made again from the entries as long as the job''s key is there.';
comment on column clue.clue is 'HMAC-SHA256 of the name and the value, cut to 128 bits; see internal/trail/clue.go.';
comment on column clue.job is 'The job.';
comment on column clue.key is 'The key that the value is sealed by in the trail.';
comment on index clue_pkey is 'The jobs of a plate or a VIN.';
comment on index clue_by_key is 'What goes with a key.';
comment on index clue_by_job is 'Whether a job has any, when those of older jobs are made.';

alter table clue enable row level security;
alter table clue force row level security;

-- Whoever sees the job, or a calibration of it. The subqueries run under the policies of head.
create policy asking_sees on clue for select to readback_reader using (
    (select true from head h where h.stream = clue.job)
    or (select true from head c where c.job = clue.job limit 1)
);
create policy writer_keeps on clue to readback_writer using (true) with check (true);

comment on policy asking_sees on clue is 'A job''s clues, for the organisation the transaction reads for.';
comment on policy writer_keeps on clue is 'Appending, and making those of older jobs.';

grant select on clue to readback_reader;
grant select, insert on clue to readback_writer;

-- Jobs that were opened before this have none yet: serve makes them once, in the order of the keys' ids, and notes how far it is.
create table clue_cursor (
    one  boolean not null default true,
    done uuid,
    constraint clue_cursor_pkey primary key (one),
    constraint clue_cursor_one check (one)
);

insert into clue_cursor (done) select case when exists (select from stream_key) then '00000000-0000-0000-0000-000000000000'::uuid end;

comment on table clue_cursor is 'How far the clues of jobs are made that were opened before there were any. One row.';
comment on column clue_cursor.one is 'Always true.';
comment on column clue_cursor.done is 'The id of the last key whose job was gone through; null when all were.';
comment on index clue_cursor_pkey is 'There is one row.';

grant select, update on clue_cursor to readback_writer;

-- Who did what stands in the entries. These are the few of a calibration that somebody answers for.
create index entry_answered on entry (actor, stream)
    where kind = 'calibration' and type in ('opened', 'claimed', 'taken-over', 'handed-over', 'leg-started', 'result-declared', 'signed', 'closed');

comment on index entry_answered is
    'The calibrations that a member opened, took, ran, declared, signed or closed. A part of the entries only, so that most of them do not touch it.';
