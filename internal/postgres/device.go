package postgres

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/device"
	"readback/internal/fault"
	"readback/internal/stream"
)

const sqlGiveToken = `
insert into device_token (org, interface, hash, made_by) values ($1, $2, $3, $4)
on conflict (org, interface) do update set hash = excluded.hash, made_by = excluded.made_by, made_at = excluded.made_at`

// GiveToken puts a device's token in the place of the one before.
func (d *DB) GiveToken(ctx context.Context, of device.Device, hash device.Hash, by stream.ID) error {
	if _, err := d.writer.Exec(ctx, sqlGiveToken, given(of.Org), given(of.Interface), hash[:], given(by)); err != nil {
		return fmt.Errorf("keep a device's token: %w", explain(err))
	}
	return nil
}

const sqlTokenOf = `select org, interface from device_token where hash = $1`

// TokenOf gives whose token it is; a not-found fault if nobody's.
func (d *DB) TokenOf(ctx context.Context, hash device.Hash) (device.Device, error) {
	of, err := reading(d.writer, func() (device.Device, error) {
		var org, id pgtype.UUID
		err := d.writer.QueryRow(ctx, sqlTokenOf, hash[:]).Scan(&org, &id)
		return device.Device{Org: org.Bytes, Interface: id.Bytes}, err
	})
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return of, fault.New(fault.NotHere, "Nobody has this token.")
	case err != nil:
		return of, fmt.Errorf("find a device's token: %w", explain(err))
	}
	return of, nil
}

// sqlJobsNear looks at the newest few hundred: what a shop has under way is among them.
const sqlJobsNear = `
select near.stream, near.seq from (
	select h.stream, h.seq, h.summary ->> 'interface' = $2::text as tied, greatest(h.changed_at, c.changed_at) as changed
	from (select stream, seq, changed_at, summary from head
		where org = $1 and kind = 'job' and phase = 'open' order by stream desc limit 500) h
	left join lateral (select max(changed_at) as changed_at from head where job = h.stream) c on true
) near
where near.changed > now() - interval '1 hour' or near.tied and near.changed > now() - interval '12 hours'
order by near.stream desc limit 200`

// JobsNear gives the jobs that an announcement may belong to.
func (d *DB) JobsNear(ctx context.Context, of device.Device) ([]device.Near, error) {
	all, err := reading(d.hub, func() ([]device.Near, error) {
		rows, err := d.hub.Query(ctx, sqlJobsNear, given(of.Org), of.Interface.String())
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, toNear)
	})
	if err != nil {
		return nil, fmt.Errorf("find the jobs of organisation %s: %w", of.Org, explain(err))
	}
	return all, nil
}

// sqlPlacedNear goes through what a shop has open, which is little. Phases in which readings are never taken are left out.
const sqlPlacedNear = `
select c.stream, c.seq from head c join head j on j.stream = c.job
where c.org = $1 and c.kind = 'calibration' and c.phase in ('preparing', 'waiting', 'guided', 'stopped')
	and c.summary ->> 'bay' = $2::text and c.changed_at > now() - interval '12 hours' and j.phase = 'open'
order by c.stream desc limit 50`

// PlacedNear gives the calibrations that may be being placed in the bay.
func (d *DB) PlacedNear(ctx context.Context, org, bay stream.ID) ([]device.Near, error) {
	all, err := reading(d.hub, func() ([]device.Near, error) {
		rows, err := d.hub.Query(ctx, sqlPlacedNear, given(org), bay.String())
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, toNear)
	})
	if err != nil {
		return nil, fmt.Errorf("find what is placed in bay %s: %w", bay, explain(err))
	}
	return all, nil
}

func toNear(row pgx.CollectableRow) (device.Near, error) {
	var id pgtype.UUID
	var seq uint64
	err := row.Scan(&id, &seq)
	return device.Near{Stream: id.Bytes, Seq: seq}, err
}

const (
	sqlLockAnnounced = `select pg_advisory_xact_lock(hashtextextended('announcement ' || $1 || ' ' || $2, 0))`

	sqlAnnouncement = `select said, job from announcement where org = $1 and interface = $2 and id = $3`

	sqlSameCar = `
		select job from announcement where org = $1 and mark = $2 and opens and at > now() - interval '1 hour' and job <> all ($3)
		order by at desc limit 1`

	sqlAssign = `
		insert into announcement (org, interface, id, said, mark, job, opens) values ($1, $2, $3, $4, $5, $6, $7)
		on conflict (org, interface, id) do update set job = excluded.job, opens = excluded.opens`
)

// Assign gives the job that an announcement belongs to. Those of one car wait for each other here, for the time of these
// few statements.
func (d *DB) Assign(ctx context.Context, a device.Assignment) (job stream.ID, err error) {
	not := make(pgtype.FlatArray[pgtype.UUID], len(a.Not))
	for i, id := range a.Not {
		not[i] = given(id)
	}
	err = pgx.BeginFunc(ctx, d.writer, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, sqlLockAnnounced, a.Org.String(), a.Mark); err != nil {
			return err
		}
		var said string
		var got pgtype.UUID
		err := tx.QueryRow(ctx, sqlAnnouncement, given(a.Org), given(a.Interface), given(a.ID)).Scan(&said, &got)
		switch {
		case err == nil && said != a.Said:
			return fault.New(fault.IDReused, "This id belongs to another announcement. Give the new one an id of its own.",
				fault.Field{Name: "id", Want: "an id that was not used before"})
		case err == nil && !slices.Contains(a.Not, stream.ID(got.Bytes)):
			job = got.Bytes
			return nil
		case err != nil && !errors.Is(err, pgx.ErrNoRows):
			return err
		}
		job = a.Job
		if !a.Found {
			err := tx.QueryRow(ctx, sqlSameCar, given(a.Org), a.Mark, not).Scan(&got)
			switch {
			case err == nil:
				job = got.Bytes
			case !errors.Is(err, pgx.ErrNoRows):
				return err
			}
		}
		_, err = tx.Exec(ctx, sqlAssign, given(a.Org), given(a.Interface), given(a.ID), a.Said, a.Mark, given(job), !a.Found)
		return err
	})
	if err != nil {
		return job, fmt.Errorf("assign an announcement: %w", explain(err))
	}
	return job, nil
}

const sqlForgetAnnouncements = `delete from announcement where at < now() - interval '1 day'`

// ForgetAnnouncements deletes which jobs announcements went to, after a day.
func (d *DB) ForgetAnnouncements(ctx context.Context) error {
	if _, err := d.writer.Exec(ctx, sqlForgetAnnouncements); err != nil {
		return fmt.Errorf("forget old announcements: %w", explain(err))
	}
	return nil
}
