-- +goose Up

-- A request leaves the queue with its job. That the job was withdrawn is in the job's entries and its row; the calibration's
-- row learns of it only with the calibration's next entry, so the queue asks the job's.

create policy owner_finds_withdrawn on head for select to readback_owner using (kind = 'job' and phase = 'withdrawn');

comment on policy owner_finds_withdrawn on head is 'For job_withdrawn.';

-- plpgsql, because it keeps its plan
-- +goose StatementBegin
create function job_withdrawn(job uuid) returns boolean
    language plpgsql stable security definer
    set search_path = readback, pg_catalog, pg_temp
as $$
begin
    return exists (select from head where stream = $1 and kind = 'job' and phase = 'withdrawn');
end
$$;
-- +goose StatementEnd

comment on function job_withdrawn(uuid) is
    'Whether a job was withdrawn. It runs as the owner of the tables, who sees no other jobs: a desk that may see what waits sees no row of its job.';

revoke all on function job_withdrawn(uuid) from public;
grant execute on function job_withdrawn(uuid) to readback_reader;
