package postgres

import (
	"context"
	"encoding/hex"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/stream"
	"readback/internal/trail"
)

// sqlAppend commits a batch in one statement. Rows come sorted by (stream, seq): statements of two nodes that insert in
// one order cannot deadlock. An entry that is there already is passed over, and so are the rows that go with it: everything
// else is joined to the winners. pg_notify is evaluated once, for the winners: each as 22 characters of base64, of
// which 360 fit the 8000 bytes of a notification.
//
// The connection plans it once for arrays of unknown length, hence the settings in appender.go.
const sqlAppend = `
with given as materialized (
	select * from unnest(
		$1::uuid[], $2::bigint[], $3::text[], $4::text[], $5::int[], $6::timestamptz[], $7::uuid[], $8::uuid[],
		$9::bytea[], $10::bytea[], $11::bytea[],
		$12::uuid[], $13::uuid[], $14::uuid[], $15::text[], $16::timestamptz[], $17::timestamptz[], $18::jsonb[])
	as g (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash, org, job, desk, phase, queued_at, due_at, summary)
), won as (
	insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
	select stream, seq, kind, type, v, at, actor, command_id, body, prev, hash from given order by stream, seq
	on conflict do nothing
	returning stream, seq
), heads as (
	insert into head (stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, changed_at)
	select stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, at
	from given join won using (stream, seq) order by stream
	on conflict (stream) do update set
		org = excluded.org, job = excluded.job, desk = excluded.desk, phase = excluded.phase,
		queued_at = excluded.queued_at, due_at = excluded.due_at, seq = excluded.seq, hash = excluded.hash, summary = excluded.summary,
		changed_at = excluded.changed_at
	where head.seq < excluded.seq
)` + sqlTold

// sqlAppendMore is sqlAppend with the rows that only some batches have: keys, routines that start or end, and clues, of which
// none is kept once its key is gone.
const sqlAppendMore = `
with given as materialized (
	select * from unnest(
		$1::uuid[], $2::bigint[], $3::text[], $4::text[], $5::int[], $6::timestamptz[], $7::uuid[], $8::uuid[],
		$9::bytea[], $10::bytea[], $11::bytea[],
		$12::uuid[], $13::uuid[], $14::uuid[], $15::text[], $16::timestamptz[], $17::timestamptz[], $18::jsonb[],
		$19::uuid[], $20::bytea[], $21::uuid[], $22::uuid[], $23::uuid[], $24::uuid[], $25::text[], $26::uuid[])
	as g (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash, org, job, desk, phase, queued_at, due_at, summary,
		key_id, wrapped, runs_desk, runs, ends_desk, ends, clues, sealed)
), won as (
	insert into entry (stream, seq, kind, type, v, at, actor, command_id, body, prev, hash)
	select stream, seq, kind, type, v, at, actor, command_id, body, prev, hash from given order by stream, seq
	on conflict do nothing
	returning stream, seq
), heads as (
	insert into head (stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, changed_at)
	select stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, at
	from given join won using (stream, seq) order by stream
	on conflict (stream) do update set
		org = excluded.org, job = excluded.job, desk = excluded.desk, phase = excluded.phase,
		queued_at = excluded.queued_at, due_at = excluded.due_at, seq = excluded.seq, hash = excluded.hash, summary = excluded.summary,
		changed_at = excluded.changed_at
	where head.seq < excluded.seq
), keys as (
	insert into stream_key (id, stream, wrapped)
	select key_id, stream, wrapped from given join won using (stream, seq) where key_id is not null order by stream
), started as (
	insert into running (desk, specialist, stream, seq)
	select runs_desk, runs, stream, seq from given join won using (stream, seq) where runs is not null order by runs_desk, runs
), ended as (
	delete from running using given join won using (stream, seq)
	where running.desk = given.ends_desk and running.specialist = given.ends and running.stream = given.stream
), clues as (
	insert into clue (clue, job, key)
	select decode(each, 'hex'), stream, sealed from given join won using (stream, seq), unnest(string_to_array(clues, ' ')) as each
	where key_id is not null or exists (select from stream_key where id = sealed)
	on conflict do nothing
)` + sqlTold

// sqlTold ends both: 360 × 22 characters and the rest of the payload stay below 8000 bytes.
const sqlTold = `, told as (
	select pg_notify('readback', case when n <= 360
		then (select string_agg(substr(encode(uuid_send(stream), 'base64'), 1, 22), '') from won) else '*' end)
	from (select count(*) as n from won) as counted where n > 0
)
select won.stream from won cross join told`

// sqlSame gives the hashes that stand where entries were not inserted.
const sqlSame = `
select stream, hash from entry
join unnest($1::uuid[], $2::bigint[]) as given (stream, seq) using (stream, seq)`

// columns are a batch as the statement takes it; they are kept from batch to batch. Only the appender uses them.
type columns struct {
	stream, actor, command, org, job, desk pgtype.FlatArray[pgtype.UUID]
	seq                                    pgtype.FlatArray[int64]
	kind, typ, phase                       pgtype.FlatArray[string]
	v                                      pgtype.FlatArray[int32]
	at, queued, due                        pgtype.FlatArray[pgtype.Timestamptz]
	body, prev, hash, summary              pgtype.FlatArray[[]byte]

	keyID, runsDesk, runs, endsDesk, ends, sealed pgtype.FlatArray[pgtype.UUID]
	wrapped                                       pgtype.FlatArray[[]byte]
	clues                                         pgtype.FlatArray[string] // in hexadecimal, with a space between; "" is none
}

func (c *columns) fill(batch []*pending) (more bool) {
	c.reset()
	for _, p := range batch {
		r, s := p.Record, p.Summary
		c.stream = append(c.stream, given(r.Stream))
		c.seq = append(c.seq, int64(r.Seq))
		c.kind = append(c.kind, string(r.Kind))
		c.typ = append(c.typ, r.Type)
		c.v = append(c.v, int32(r.V))
		c.at = append(c.at, pgtype.Timestamptz{Time: r.At, Valid: true})
		c.actor = append(c.actor, given(r.Actor))
		c.command = append(c.command, given(r.CommandID))
		c.body = append(c.body, r.Body)
		c.prev = append(c.prev, r.Prev[:])
		c.hash = append(c.hash, r.Hash[:])
		c.org = append(c.org, given(s.Org))
		c.job = append(c.job, maybe(s.Job))
		c.desk = append(c.desk, maybe(s.Desk))
		c.phase = append(c.phase, s.Phase)
		c.queued = append(c.queued, maybeTime(s.QueuedAt))
		c.due = append(c.due, maybeTime(s.DueAt))
		c.summary = append(c.summary, p.summary)

		var key pgtype.UUID
		var wrapped []byte
		if k := p.NewKey; k != nil {
			key, wrapped = given(k.ID), k.Box
		}
		c.keyID = append(c.keyID, key)
		c.wrapped = append(c.wrapped, wrapped)
		desk, who := person(p.Runs)
		c.runsDesk, c.runs = append(c.runsDesk, desk), append(c.runs, who)
		desk, who = person(p.Ends)
		c.endsDesk, c.ends = append(c.endsDesk, desk), append(c.ends, who)
		c.clues, c.sealed = append(c.clues, spelt(p.Clues)), append(c.sealed, given(p.Sealed))
		more = more || key.Valid || p.Runs != nil || p.Ends != nil || len(p.Clues) > 0
	}
	return more
}

func (c *columns) reset() {
	for _, a := range []*pgtype.FlatArray[pgtype.UUID]{&c.stream, &c.actor, &c.command, &c.org, &c.job, &c.desk, &c.keyID, &c.runsDesk, &c.runs, &c.endsDesk, &c.ends, &c.sealed} {
		*a = (*a)[:0]
	}
	for _, a := range []*pgtype.FlatArray[[]byte]{&c.body, &c.prev, &c.hash, &c.summary, &c.wrapped} {
		clear(*a) // the bytes are the callers'
		*a = (*a)[:0]
	}
	for _, a := range []*pgtype.FlatArray[string]{&c.kind, &c.typ, &c.phase, &c.clues} {
		*a = (*a)[:0]
	}
	c.seq, c.v, c.at, c.queued, c.due = c.seq[:0], c.v[:0], c.at[:0], c.queued[:0], c.due[:0]
}

// insert runs the statement and returns the streams whose entry was inserted by it.
func (c *columns) insert(ctx context.Context, conn *pgx.Conn, batch []*pending) (map[stream.ID]bool, error) {
	args := make([]any, 0, 26)
	sql := sqlAppend
	more := c.fill(batch)
	args = append(args, c.stream, c.seq, c.kind, c.typ, c.v, c.at, c.actor, c.command, c.body, c.prev, c.hash,
		c.org, c.job, c.desk, c.phase, c.queued, c.due, c.summary)
	if more {
		sql = sqlAppendMore
		args = append(args, c.keyID, c.wrapped, c.runsDesk, c.runs, c.endsDesk, c.ends, c.clues, c.sealed)
	}
	rows, err := conn.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	won := make(map[stream.ID]bool, len(batch))
	var id pgtype.UUID
	_, err = pgx.ForEachRow(rows, []any{&id}, func() error {
		won[id.Bytes] = true
		return nil
	})
	return won, err
}

// same returns the streams where the entry that stands under the number is the given one.
func (c *columns) same(ctx context.Context, conn *pgx.Conn, batch []*pending) (map[stream.ID]bool, error) {
	c.fill(batch)
	rows, err := conn.Query(ctx, sqlSame, c.stream, c.seq)
	if err != nil {
		return nil, err
	}
	there := make(map[stream.ID]stream.Hash, len(batch))
	var id pgtype.UUID
	var hash []byte
	if _, err := pgx.ForEachRow(rows, []any{&id, &hash}, func() error {
		there[id.Bytes] = stream.Hash(hash)
		return nil
	}); err != nil {
		return nil, err
	}
	same := make(map[stream.ID]bool, len(batch))
	for _, p := range batch {
		hash, ok := there[p.Record.Stream]
		same[p.Record.Stream] = ok && hash == p.Record.Hash
	}
	return same, nil
}

func spelt(clues []trail.Clue) string {
	all := make([]string, len(clues))
	for i, c := range clues {
		all[i] = hex.EncodeToString(c[:])
	}
	return strings.Join(all, " ")
}

func given(id stream.ID) pgtype.UUID { return pgtype.UUID{Bytes: id, Valid: true} }

func maybe(id *stream.ID) pgtype.UUID {
	if id == nil {
		return pgtype.UUID{}
	}
	return given(*id)
}

// person is somebody as two columns have it: organisation and member.
func person(p *stream.Person) (org, member pgtype.UUID) {
	if p == nil {
		return org, member
	}
	return given(p.Org), given(p.Member)
}

func maybeTime(t *time.Time) pgtype.Timestamptz {
	if t == nil {
		return pgtype.Timestamptz{}
	}
	return pgtype.Timestamptz{Time: *t, Valid: true}
}
