-- +goose Up

create index account_by_org on account (org, login);

comment on index account_by_org is 'An organisation''s accounts, by the name to sign in with.';

-- Owners choose the ids of their members, so two registers may hold the same one: an organisation's links are its own.
drop index invitation_one_open;
create unique index invitation_one_open on invitation (member, org) where used_at is null and void_at is null;

comment on index invitation_one_open is 'A member has at most one open invitation to an organisation.';
