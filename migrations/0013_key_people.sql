-- +goose Up

-- Owners choose the ids of their members, so two registers may hold the same one: who somebody is, is said by
-- organisation and member together. One organisation's choice is nothing to another's.

alter table account drop constraint account_pkey;
alter table account add constraint account_pkey primary key (org, member);
comment on column account.member is 'The member, as entries name the actor; its id is its register''s alone.';
comment on index account_pkey is 'A member has one account; an organisation''s accounts.';
drop index account_by_org; -- the key finds them

-- +goose StatementBegin
create or replace function end_sessions_of_disabled() returns trigger
    language plpgsql
    set search_path = pg_catalog
as $$
begin
    update readback.session set ended_at = clock_timestamp(), ended_why = 'disabled'
    where org = new.org and member = new.member and ended_at is null;
    return null;
end
$$;
-- +goose StatementEnd

drop index session_by_member; -- session_by_org finds a member's, too
comment on column session.member is 'Who signed in; its id is its register''s alone.';

-- The desk of a row that is there is that of the calibration's claim. The owner sees such rows for the time of this only.
create policy owner_sees_claims on head for select to readback_owner using (desk is not null);

alter table running add column desk uuid;
update running set desk = head.desk from head where head.stream = running.stream;
delete from running where desk is null; -- nothing runs without a claim
alter table running alter column desk set not null;
alter table running drop constraint running_pkey;
alter table running add constraint running_pkey primary key (desk, specialist);
comment on column running.desk is 'The desk of the specialist.';
comment on column running.specialist is 'The specialist; its id is the desk''s register''s alone.';
comment on index running_pkey is 'One running routine per specialist.';

alter table lease add column desk uuid;
update lease set desk = head.desk from head where head.stream = lease.stream;
delete from lease where desk is null; -- their claims are over
alter table lease alter column desk set not null;
comment on column lease.desk is 'The desk of the specialist.';
comment on column lease.member is 'The specialist who holds the claim; its id is the desk''s register''s alone.';

drop policy owner_sees_claims on head;
