-- +goose Up

create table session (
    id         uuid        not null,
    member     uuid        not null,
    org        uuid        not null,
    created_at timestamptz not null,
    used_at    timestamptz not null,
    expires_at timestamptz not null,
    ends_at    timestamptz not null,
    origin     text        not null,
    device     text        not null,
    ended_at   timestamptz,
    ended_why  text,
    constraint session_pkey primary key (id),
    constraint session_limits check (created_at <= used_at and expires_at <= ends_at),
    constraint session_ended_whole check ((ended_at is null) = (ended_why is null)),
    constraint session_device_length check (char_length(device) <= 120),
    constraint session_why_known check (ended_why in
        ('signed-out', 'revoked', 'reused', 'new-password', 'retired', 'disabled', 'expired'))
);

create index session_by_org on session (org, member) where ended_at is null;
create index session_by_member on session (member) where ended_at is null;
create index session_by_ended on session (ended_at) where ended_at is not null;

comment on table session is 'One row per sign-in. Access tokens name their session; it goes on by exchanging refresh tokens.';
comment on column session.id is 'The session, as access tokens name it in sid.';
comment on column session.member is 'Who signed in.';
comment on column session.org is 'The organisation of the member.';
comment on column session.created_at is 'When somebody signed in.';
comment on column session.used_at is 'When it was last used: at the exchange of a refresh token, or by commands over a socket.';
comment on column session.expires_at is 'When it runs out unless it is used before.';
comment on column session.ends_at is 'When it runs out however much it is used.';
comment on column session.origin is 'The network address it was last used from, as the server saw it: one IPv4 address, or an IPv6 network of 64 bits.';
comment on column session.device is 'What the client last called itself (User-Agent), cut to 120 characters.';
comment on column session.ended_at is 'When it was ended; null while it lives or has merely run out.';
comment on column session.ended_why is 'Why it was ended.';
comment on index session_pkey is 'Finds the session of a token.';
comment on index session_by_org is 'The living sessions of an organisation or one of its members.';
comment on index session_by_member is 'The living sessions of a member.';
comment on index session_by_ended is 'What ended lately, for nodes that were not told.';

create table refresh_token (
    hash         bytea       not null,
    session      uuid        not null,
    parent       bytea,
    made_at      timestamptz not null,
    exchanged_at timestamptz,
    void         boolean     not null default false,
    constraint refresh_token_pkey primary key (hash),
    constraint refresh_token_session foreign key (session) references session (id) on delete cascade,
    constraint refresh_token_hash_length check (octet_length(hash) = 32)
);

create index refresh_token_by_session on refresh_token (session);
create index refresh_token_by_parent on refresh_token (parent);

comment on table refresh_token is 'The refresh tokens of a session, those exchanged long ago too: one of them coming again ends the session.';
comment on column refresh_token.hash is 'SHA-256 of the token. The token itself is not kept.';
comment on column refresh_token.session is 'The session it belongs to.';
comment on column refresh_token.parent is 'Hash of the token that was exchanged for this one; null for the first.';
comment on column refresh_token.made_at is 'When it was made.';
comment on column refresh_token.exchanged_at is 'When it was first exchanged; null if it never was.';
comment on column refresh_token.void is 'It was replaced before it was used, because the exchange that made it was repeated.';
comment on constraint refresh_token_session on refresh_token is 'Tokens go with their session.';
comment on index refresh_token_pkey is 'Finds a token that somebody presents.';
comment on index refresh_token_by_session is 'For deleting a session.';
comment on index refresh_token_by_parent is 'What a token was exchanged for.';

create table invitation (
    id         uuid        not null,
    hash       bytea       not null,
    kind       text        not null,
    member     uuid        not null,
    org        uuid        not null,
    login      text        not null,
    made_by    uuid,
    made_at    timestamptz not null,
    expires_at timestamptz not null,
    used_at    timestamptz,
    void_at    timestamptz,
    constraint invitation_pkey primary key (id),
    constraint invitation_hash_once unique (hash),
    constraint invitation_hash_length check (octet_length(hash) = 32),
    constraint invitation_kind_known check (kind in ('invitation', 'reset')),
    constraint invitation_login_folded check (login = lower(login)),
    constraint invitation_login_length check (octet_length(login) between 1 and 254)
);

create unique index invitation_one_open on invitation (member) where used_at is null and void_at is null;
create index invitation_by_org on invitation (org) where used_at is null and void_at is null;

comment on table invitation is 'Links by which a member sets a password: to get an account, or after the old password was lost.';
comment on column invitation.id is 'The invitation, as lists name it. It opens nothing.';
comment on column invitation.hash is 'SHA-256 of the token in the link. The token itself is not kept.';
comment on column invitation.kind is 'invitation or reset.';
comment on column invitation.member is 'Whom it lets in.';
comment on column invitation.org is 'The organisation of the member.';
comment on column invitation.login is 'The name the member will sign in with, in lower case.';
comment on column invitation.made_by is 'The owner who made it; null where the member asked.';
comment on column invitation.made_at is 'When it was made.';
comment on column invitation.expires_at is 'When it runs out.';
comment on column invitation.used_at is 'When a password was set by it: it works once.';
comment on column invitation.void_at is 'When it was withdrawn, or a newer one took its place.';
comment on index invitation_pkey is 'Finds an invitation to withdraw.';
comment on index invitation_hash_once is 'Finds the invitation of a token.';
comment on index invitation_one_open is 'A member has at most one open invitation.';
comment on index invitation_by_org is 'The open invitations of an organisation.';

-- +goose StatementBegin
create function tell_session_ended() returns trigger
    language plpgsql
    set search_path = pg_catalog
as $$
begin
    perform pg_notify('readback_ended', new.id::text);
    return null;
end
$$;
-- +goose StatementEnd

comment on function tell_session_ended is 'Tells every node that a session was ended, whoever ended it.';

create trigger tell_ended after update of ended_at on session
    for each row when (old.ended_at is null and new.ended_at is not null)
    execute function tell_session_ended();
comment on trigger tell_ended on session is 'Nodes close the sockets of the session and refuse its access tokens.';

-- +goose StatementBegin
create function end_sessions_of_disabled() returns trigger
    language plpgsql
    set search_path = pg_catalog
as $$
begin
    update readback.session set ended_at = clock_timestamp(), ended_why = 'disabled'
    where member = new.member and ended_at is null;
    return null;
end
$$;
-- +goose StatementEnd

comment on function end_sessions_of_disabled is 'A disabled account has no session, however it was disabled.';

create trigger end_sessions after update of disabled on account
    for each row when (new.disabled and not old.disabled)
    execute function end_sessions_of_disabled();
comment on trigger end_sessions on account is 'Ends the sessions of an account that is disabled.';

grant select, insert, update, delete on session, refresh_token, invitation to readback_writer;

-- The bus reads as the reader and looks for what ended.
grant select (id, ended_at) on session to readback_reader;
