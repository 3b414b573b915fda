-- +goose Up

-- Lists of an organisation and of a desk show the newest first, in whatever phase. The indexes that go by phase left that to
-- a sort of all there is, or to a walk over the streams of everybody.
create index head_newest_by_org on head (org, stream);
create index head_newest_by_desk on head (desk, stream) where desk is not null;

comment on index head_newest_by_org is 'An organisation''s lists whatever the phase, in the order they are shown.';
comment on index head_newest_by_desk is 'A desk''s claimed calibrations whatever the phase, in the order they are shown.';
