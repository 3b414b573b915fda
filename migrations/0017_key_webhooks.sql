-- +goose Up

-- Owners choose the ids of their webhooks, so two registers may hold the same one: which webhook it is, is said by
-- organisation and id together. One organisation's choice is nothing to another's, and tells it nothing of them.

alter table webhook drop constraint webhook_pkey;
alter table webhook add constraint webhook_pkey primary key (org, id);
comment on column webhook.id is 'The webhook, as the register names it; its id is its register''s alone.';
comment on index webhook_pkey is 'A webhook by its organisation and id; an organisation''s webhooks.';
drop index webhook_by_org; -- the key finds them

alter table webhook_secret add column org uuid;
update webhook_secret set org = webhook.org from webhook where webhook.id = webhook_secret.webhook;
delete from webhook_secret where org is null; -- of no webhook
alter table webhook_secret alter column org set not null;
drop index webhook_secret_of;
create index webhook_secret_of on webhook_secret (org, webhook, made_at);
comment on column webhook_secret.org is 'The organisation whose webhook it is for.';
comment on column webhook_secret.webhook is 'Whose it is; its id is its register''s alone.';
comment on index webhook_secret_of is 'A webhook''s secrets, by age.';

alter table delivery add column org uuid;
update delivery set org = webhook.org from webhook where webhook.id = delivery.webhook;
delete from delivery where org is null; -- for no webhook
alter table delivery alter column org set not null;
alter table delivery drop constraint delivery_once;
alter table delivery add constraint delivery_once unique (org, webhook, idx);
drop index delivery_due;
create index delivery_due on delivery (org, webhook, next_try) where state = 'waiting';
drop index delivery_by_state;
create index delivery_by_state on delivery (org, webhook, state, id);
comment on column delivery.org is 'The organisation whose webhook it is for.';
comment on column delivery.webhook is 'Whom it is for; its id is its register''s alone.';
comment on index delivery_once is 'One delivery per entry and webhook.';
comment on index delivery_due is 'What is to be sent next.';
comment on index delivery_by_state is 'Lists of a webhook''s deliveries.';

-- A calibration's row names its bay, by which an instrument gateway finds it, from the first entry that a server wrote which
-- knew of that. Those under way since before have theirs filled in from their newest sheet. The owner sees what that needs for
-- the time of this only.
create policy owner_fills_bays on head to readback_owner
    using (kind = 'calibration' and phase in ('preparing', 'waiting', 'guided', 'running', 'stopped')) with check (true);
create policy owner_sees_sheets on entry for select to readback_owner using (kind = 'calibration' and type = 'sheet-issued');

update head h set summary = h.summary || jsonb_build_object('bay', sheet.bay)
from head unnamed cross join lateral (
    select convert_from(body, 'UTF8')::jsonb #>> '{command,data,bay}' as bay from entry
    where entry.stream = unnamed.stream and type = 'sheet-issued' order by seq desc limit 1) as sheet
where h.stream = unnamed.stream and unnamed.kind = 'calibration' and not unnamed.summary ? 'bay' and sheet.bay is not null;

drop policy owner_sees_sheets on entry;
drop policy owner_fills_bays on head;
