-- +goose Up

-- Photos, sealed by their job's key. The entry that names one has the sum of its bytes.

create table photo (
    id         uuid        not null,
    stream     uuid        not null,
    key        uuid        not null,
    sha256     bytea       not null,
    sealed     bytea       not null,
    width_px   integer     not null,
    height_px  integer     not null,
    at         timestamptz not null default now(),
    touched_at timestamptz not null default now(),
    kept_at    timestamptz,
    constraint photo_pkey primary key (id),
    constraint photo_sealed_by foreign key (key) references stream_key (id) on delete cascade,
    constraint photo_sha256_length check (octet_length(sha256) = 32),
    constraint photo_sealed_length check (octet_length(sealed) between 29 and 16777216),
    constraint photo_size check (width_px between 1 and 2560 and height_px between 1 and 2560)
);

alter table photo alter column sealed set storage external;

create index photo_by_stream on photo (stream, at);
create index photo_by_key on photo (key);
create index photo_unkept on photo (touched_at) where kept_at is null;

comment on table photo is
    'Photos, sealed. All are JPEG. One is here before the entry that names it. It goes with the key that it is sealed by; one that no entry names, after a day. No role that reads on somebody''s behalf reads it.';
comment on column photo.id is 'The photo, as entries name it; bound into the encryption.';
comment on column photo.stream is 'The calibration it was given to; bound into the encryption.';
comment on column photo.key is 'The key of the job, which seals it.';
comment on column photo.sha256 is 'SHA-256 of sealed, as the entry has it.';
comment on column photo.sealed is 'A nonce and the JPEG, encrypted. Stored as it is: what is encrypted does not get smaller.';
comment on column photo.width_px is 'Width of the picture.';
comment on column photo.height_px is 'Height of the picture.';
comment on column photo.at is 'When it was given.';
comment on column photo.touched_at is 'When it was given, or a command that names it was last about to be written.';
comment on column photo.kept_at is 'When an entry that names it was found; null before. Entries stay, so it stays.';
comment on constraint photo_sealed_by on photo is 'Destroying the key deletes what it sealed.';
comment on index photo_pkey is 'A photo by its id.';
comment on index photo_by_stream is 'A calibration''s photos: how many, how large, how recent.';
comment on index photo_by_key is 'What goes with a key.';
comment on index photo_unkept is 'Those that may have to be cleared away.';

grant select, insert, delete on photo to readback_writer;
grant update (touched_at, kept_at) on photo to readback_writer;
grant select on photo to readback_hub;
