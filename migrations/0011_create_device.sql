-- +goose Up

create table device_token (
    org       uuid        not null,
    interface uuid        not null,
    hash      bytea       not null,
    made_by   uuid        not null,
    made_at   timestamptz not null default now(),
    constraint device_token_pkey primary key (org, interface),
    constraint device_token_hash_once unique (hash),
    constraint device_token_hash_length check (octet_length(hash) = 32)
);

comment on table device_token is
    'What vehicle interfaces sign in with: one each, a new one takes the place of the one before. Which interfaces there are, and are in use, stands in the registers.';
comment on column device_token.org is 'The organisation whose register has the interface.';
comment on column device_token.interface is 'The interface; its id is its register''s alone.';
comment on column device_token.hash is 'SHA-256 of the token. The token itself is not kept.';
comment on column device_token.made_by is 'The owner who had it made.';
comment on column device_token.made_at is 'When it was made.';
comment on index device_token_pkey is 'An interface has one token.';
comment on index device_token_hash_once is 'Finds the token that a device presents.';

create table announcement (
    org       uuid        not null,
    interface uuid        not null,
    id        uuid        not null,
    said      text        not null,
    mark      text        not null,
    job       uuid        not null,
    opens     boolean     not null,
    at        timestamptz not null default now(),
    constraint announcement_pkey primary key (org, interface, id)
);

create index announcement_by_mark on announcement (org, mark, at) where opens;
create index announcement_by_at on announcement (at);

comment on table announcement is
    'Which job an announcement went to, for a day: so that one sent again goes there too, and two of one car that come at once open one job. What was announced stands in the job.';
comment on column announcement.org is 'The organisation of the interface.';
comment on column announcement.interface is 'The interface.';
comment on column announcement.id is 'The announcement''s id, chosen by the device; also that of the command.';
comment on column announcement.said is 'A mark of all that it said, under the register''s key: the same id with other words is refused.';
comment on column announcement.mark is 'A mark of the VIN under the register''s key, which tells two of one car and says nothing without that key.';
comment on column announcement.job is 'The job.';
comment on column announcement.opens is 'Whether the job was to be opened by it: no tie and no VIN had led there. Another one of this VIN goes there, too.';
comment on column announcement.at is 'When it came.';
comment on index announcement_pkey is 'Finds an announcement that is sent again.';
comment on index announcement_by_mark is 'Finds what was announced of the same car just now.';
comment on index announcement_by_at is 'What may be deleted.';

grant select, insert, update, delete on device_token, announcement to readback_writer;
