package postgres

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/stream"
)

// Lapsing is a claim whose specialist was not heard of for too long.
type Lapsing struct {
	Stream, Shop stream.ID
	Specialist   stream.Person
	Seq          uint64        // of the calibration when it was looked at
	Unheard      time.Duration // how long nothing was heard
}

// sqlHear is all that a node writes of leases in one interval. A lease begins anew with its claim. Nodes come one after
// the other, by the row of the watch, which is written before any lease.
//
// What was not written because nobody could write says nothing: after a gap, also one that a clock made that jumped, it
// counts from now on.
const sqlHear = `
with watch as (
	update lease_watch set
		since = case when $3 or seen_at < clock_timestamp() - $4::interval or seen_at > clock_timestamp() + interval '5 seconds'
			then clock_timestamp() else since end,
		seen_at = clock_timestamp()
	returning single
), held as materialized (
	select stream, desk, (summary #>> '{queue,member}')::uuid as member, (summary #>> '{queue,since}')::timestamptz as claimed_at
	from head
	where desk is not null and phase in ('guided', 'running', 'stopped') and summary #>> '{queue,member}' is not null
), over as (
	delete from lease where not exists (select from held where held.stream = lease.stream)
)
insert into lease (stream, desk, member, claimed_at, heard_at)
select stream, desk, member, claimed_at, clock_timestamp() from held cross join watch order by stream
on conflict (stream) do update set
	desk = excluded.desk, member = excluded.member, claimed_at = excluded.claimed_at, heard_at = excluded.heard_at, trying_until = '-infinity'
where lease.claimed_at <> excluded.claimed_at or lease.heard_at > excluded.heard_at
	or (excluded.desk, excluded.member) in (select * from unnest($1::uuid[], $2::uuid[]))`

// Hear writes who was heard of, and begins the leases of new claims and ends those of claims that are over. anew says that
// this node cannot vouch for the time before; gap is a time without any node's writing that makes everybody begin anew.
func (d *DB) Hear(ctx context.Context, people []stream.Person, anew bool, gap time.Duration) error {
	orgs, members := make(pgtype.FlatArray[pgtype.UUID], len(people)), make(pgtype.FlatArray[pgtype.UUID], len(people))
	for i, p := range people {
		orgs[i], members[i] = given(p.Org), given(p.Member)
	}
	if _, err := d.writer.Exec(ctx, sqlHear, orgs, members, anew, gap); err != nil {
		if broken(err) {
			d.writer.Reset()
		}
		return fmt.Errorf("write who was heard of: %w", explain(err))
	}
	return nil
}

const sqlSilent = `
select lease.stream, extract(epoch from clock_timestamp() - greatest(heard_at, since))::float8
from lease cross join lease_watch where greatest(heard_at, since) < clock_timestamp() - $1::interval`

// Silent gives the claims whose specialist was not heard of for so long, and how long.
func (d *DB) Silent(ctx context.Context, longer time.Duration) (map[stream.ID]time.Duration, error) {
	all, err := reading(d.writer, func() (map[stream.ID]time.Duration, error) {
		rows, err := d.writer.Query(ctx, sqlSilent, longer)
		if err != nil {
			return nil, err
		}
		all := map[stream.ID]time.Duration{}
		var id pgtype.UUID
		var seconds float64
		_, err = pgx.ForEachRow(rows, []any{&id, &seconds}, func() error {
			all[id.Bytes] = inSeconds(seconds)
			return nil
		})
		return all, err
	})
	if err != nil {
		return nil, fmt.Errorf("look who was not heard of: %w", explain(err))
	}
	return all, nil
}

const sqlUnheard = `
select extract(epoch from clock_timestamp() - greatest(heard_at, since))::float8
from lease cross join lease_watch where stream = $1 and desk = $2 and member = $3`

// Unheard is how long nothing was heard of the specialist who holds the claim; false if it is not known.
func (d *DB) Unheard(ctx context.Context, calibration stream.ID, p stream.Person) (time.Duration, bool, error) {
	found, err := reading(d.writer, func() ([]float64, error) {
		rows, err := d.writer.Query(ctx, sqlUnheard, given(calibration), given(p.Org), given(p.Member))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, pgx.RowTo[float64])
	})
	if err != nil || len(found) == 0 {
		return 0, false, wrap(err, "look when the specialist of %s was heard of", calibration)
	}
	return inSeconds(found[0]), true, nil
}

// sqlLapsing hands out claims to let lapse, each to one node at a time; those that another is handing out are passed by.
// What a new claim is, or a leg that has begun, is found out when the command is decided.
const sqlLapsing = `
with due as (
	select lease.stream, head.org, head.seq, extract(epoch from clock_timestamp() - greatest(heard_at, since))::float8 as unheard
	from lease cross join lease_watch join head on head.stream = lease.stream
	where greatest(heard_at, since) < clock_timestamp() - $1::interval and trying_until < clock_timestamp()
		and head.phase in ('guided', 'stopped') and (head.summary #>> '{queue,since}')::timestamptz = claimed_at
	order by heard_at limit 100
	for update of lease skip locked
)
update lease set trying_until = clock_timestamp() + $2::interval from due where lease.stream = due.stream
returning lease.stream, due.org, lease.desk, lease.member, due.seq, due.unheard`

// TakeLapsing gives at most 100 claims whose specialist was not heard of for longer than that, no leg running. For the
// time of trying they are not given again.
func (d *DB) TakeLapsing(ctx context.Context, longer, trying time.Duration) ([]Lapsing, error) {
	rows, err := d.writer.Query(ctx, sqlLapsing, longer, trying)
	var due []Lapsing
	if err == nil {
		due, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (l Lapsing, err error) {
			var id, shop, desk, member pgtype.UUID
			var unheard float64
			err = row.Scan(&id, &shop, &desk, &member, &l.Seq, &unheard)
			l.Stream, l.Shop, l.Unheard = id.Bytes, shop.Bytes, inSeconds(unheard)
			l.Specialist = stream.Person{Org: desk.Bytes, Member: member.Bytes}
			return l, err
		})
	}
	if broken(err) {
		d.writer.Reset() // what was handed out all the same comes again after trying
	}
	return due, wrap(err, "look for claims to let lapse")
}

func inSeconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// wrap says what was tried when it failed.
func wrap(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), explain(err))
}
