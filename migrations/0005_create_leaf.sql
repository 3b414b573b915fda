-- +goose Up

-- Every entry of every stream gets one number, in an order that is the same for whoever follows.

create table leaf (
    idx    bigint not null,
    stream uuid   not null,
    seq    bigint not null,
    constraint leaf_pkey primary key (idx),
    constraint leaf_entry_once unique (stream, seq),
    constraint leaf_idx_from_zero check (idx >= 0)
);

comment on table leaf is
    'All settled entries in one order, numbered without gaps: what follows all streams reads on from the last number it has seen. A number, once given, stays. Can be made again from the entries, with other numbers.';
comment on column leaf.idx is 'The number, from 0.';
comment on column leaf.stream is 'The entry''s stream.';
comment on column leaf.seq is 'The entry''s number in its stream. Within a stream both numbers rise together.';
comment on index leaf_pkey is 'Reading on from a number.';
comment on index leaf_entry_once is 'An entry has one number.';

create table leaf_cursor (
    single boolean not null default true,
    tx     xid8    not null default '0',
    stream uuid    not null default '00000000-0000-0000-0000-000000000000',
    seq    bigint  not null default 0,
    next   bigint  not null default 0,
    constraint leaf_cursor_pkey primary key (single),
    constraint leaf_cursor_one_row check (single)
);

comment on table leaf_cursor is
    'How far the numbering is: one row, locked by the one process that numbers at a time. After a dump was restored into another cluster it must be set back together with entry.tx.';
comment on column leaf_cursor.single is 'Always true: there is one row.';
comment on column leaf_cursor.tx is 'The transaction of the entry numbered last.';
comment on column leaf_cursor.stream is 'The stream of the entry numbered last.';
comment on column leaf_cursor.seq is 'The number in its stream of the entry numbered last.';
comment on column leaf_cursor.next is 'The number the next entry gets.';
comment on index leaf_cursor_pkey is 'There is one row.';

insert into leaf_cursor default values;

-- The writer numbers; everybody may follow.
grant select (tx, kind) on entry to readback_writer;
grant select, insert on leaf to readback_writer;
grant select, update on leaf_cursor to readback_writer;
grant select on leaf to readback_reader;
