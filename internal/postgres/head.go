package postgres

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// Head is a stream's row in lists: how far it is and what is shown of it.
type Head struct {
	Stream    stream.Ref
	Org       stream.ID
	Job       *stream.ID
	Desk      *stream.ID
	Phase     string
	QueuedAt  *time.Time
	DueAt     *time.Time // what the order of the queue goes by, while it is in it
	Seq       uint64
	Hash      stream.Hash
	Summary   json.RawMessage
	ChangedAt time.Time
}

// Filter chooses the heads of a list. At least one of Org, Desk and Job is set: no list runs over everybody's streams.
type Filter struct {
	Org, Desk, Job *stream.ID
	Kind           stream.Kind // "": any
	Phases         []string    // any of these; none: any
	Before         *stream.ID  // the last stream of the page before
	Limit          int         // at most 500; 0: 50

	// Of calibrations.
	Clues           []trail.Clue // all of them are the job's
	Sensor, Outcome string       // "": any
	Answered        *stream.ID   // a member who opened, took, ran, declared, signed or closed it

	Since, Until time.Time // opened then or later, and earlier; zero: whenever. By the time that the id begins with
}

// answered are the entries that somebody answers for, as the index entry_answered has them.
const answered = `('opened', 'claimed', 'taken-over', 'handed-over', 'leg-started', 'result-declared', 'signed', 'closed')`

const headColumns = `stream, kind, org, job, desk, phase, queued_at, due_at, seq, hash, summary, changed_at`

// Heads gives one page of a list, the stream opened last first, of what the organisation may see.
func (a Asking) Heads(ctx context.Context, f Filter) ([]Head, error) {
	sql, args, err := f.query()
	if err != nil {
		return nil, err
	}
	all, err := asked(ctx, a, heads, sql, args)
	if err != nil {
		return nil, fmt.Errorf("list streams: %w", explain(err))
	}
	return all, nil
}

const sqlBelonging = `select stream, kind from head where job = $1 order by stream desc limit $2`

// Belonging gives the calibrations of a job, the one opened last first. It is for finding out what somebody is to the job,
// and shown to nobody.
func (d *DB) Belonging(ctx context.Context, job stream.ID, most int) ([]stream.Ref, error) {
	refs, err := reading(d.hub, func() ([]stream.Ref, error) {
		rows, err := d.hub.Query(ctx, sqlBelonging, given(job), limit(most))
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, func(row pgx.CollectableRow) (ref stream.Ref, err error) {
			var id pgtype.UUID
			err = row.Scan(&id, (*string)(&ref.Kind))
			ref.ID = id.Bytes
			return ref, err
		})
	})
	if err != nil {
		return nil, fmt.Errorf("find the calibrations of job %s: %w", job, explain(err))
	}
	return refs, nil
}

func (f Filter) query() (string, pgx.NamedArgs, error) {
	if f.Org == nil && f.Desk == nil && f.Job == nil {
		return "", nil, errors.New("list streams: of nobody in particular")
	}
	args := pgx.NamedArgs{"limit": limit(f.Limit)}
	var where []string
	and := func(condition, name string, v any) {
		where = append(where, condition)
		args[name] = v
	}
	for name, id := range map[string]*stream.ID{"org": f.Org, "desk": f.Desk, "job": f.Job} {
		if id != nil {
			and(name+" = @"+name, name, given(*id))
		}
	}
	if f.Kind != "" {
		and("kind = @kind", "kind", string(f.Kind))
	}
	if len(f.Phases) > 0 {
		and("phase = any (@phases)", "phases", f.Phases)
	}
	if f.Before != nil {
		and("stream < @before", "before", given(*f.Before))
	}
	for i, c := range f.Clues {
		name := "clue" + strconv.Itoa(i)
		and("job = any (array(select job from clue where clue = @"+name+"))", name, c[:])
	}
	for name, value := range map[string]string{"sensor": f.Sensor, "outcome": f.Outcome} {
		if value != "" {
			and("summary ->> '"+name+"' = @"+name, name, value)
		}
	}
	if f.Answered != nil {
		and("exists (select from entry e where e.stream = head.stream and e.actor = @answered and e.kind = 'calibration' and e.type in "+
			answered+")", "answered", given(*f.Answered))
	}
	if !f.Since.IsZero() {
		and("stream >= @since", "since", given(stream.FirstID(f.Since)))
	}
	if !f.Until.IsZero() {
		and("stream < @until", "until", given(stream.FirstID(f.Until)))
	}
	slices.Sort(where) // one text per shape, so that it is prepared once
	return "select " + headColumns + " from head where " + strings.Join(where, " and ") + " order by stream desc limit @limit", args, nil
}

func limit(asked int) int {
	if asked <= 0 {
		return 50
	}
	return min(asked, 500)
}

const sqlHead = `select ` + headColumns + ` from head where stream = $1 and kind = $2`

// Head gives one stream's row, or a not-found fault. It is read for nobody in particular.
func (d *DB) Head(ctx context.Context, ref stream.Ref) (Head, error) {
	all, err := reading(d.hub, func() ([]Head, error) {
		rows, err := d.hub.Query(ctx, sqlHead, given(ref.ID), string(ref.Kind))
		return collect(heads(rows, err))
	})
	if err != nil {
		return Head{}, fmt.Errorf("look for %s: %w", ref, explain(err))
	}
	if len(all) == 0 {
		return Head{}, fault.New(fault.NotHere, "There is no such "+string(ref.Kind)+".")
	}
	return all[0], nil
}

const sqlEmpty = `select not exists (select from head)`

// Empty reports whether there is no stream yet.
func (d *DB) Empty(ctx context.Context) (empty bool, err error) {
	empty, err = reading(d.hub, func() (empty bool, err error) {
		err = d.hub.QueryRow(ctx, sqlEmpty).Scan(&empty)
		return empty, err
	})
	if err != nil {
		return false, fmt.Errorf("look whether the database is empty: %w", explain(err))
	}
	return empty, nil
}

// Turn is a place in the queue.
type Turn struct {
	DueAt  time.Time
	Stream stream.ID
}

// sqlWaiting takes the few most urgent of each shop from its own stretch of the index, so a long queue at one shop costs the
// others nothing. What belongs to a withdrawn job waits for nobody, whatever its own row says.
const sqlWaiting = `
select h.* from unnest(agreed_shops()) as shop (id)
cross join lateral (
	select ` + headColumns + ` from head
	where org = shop.id and queued_at is not null and (due_at, stream) > ($1::timestamptz, $2::uuid)
		and not job_withdrawn(job)
	order by due_at, stream limit $3
) as h
order by h.due_at, h.stream limit $3`

// Waiting gives one page of the calibrations that wait for a specialist of the organisation, by due time: those of
// shops that have an agreement with it now, as far as their jobs go on. after is the last of the page before, or zero.
func (a Asking) Waiting(ctx context.Context, after Turn, most int) ([]Head, error) {
	since := pgtype.Timestamptz{Time: after.DueAt, Valid: true}
	if after.DueAt.IsZero() {
		since.Time, since.InfinityModifier = time.Time{}, pgtype.NegativeInfinity
	}
	all, err := asked(ctx, a, heads, sqlWaiting, since, given(after.Stream), limit(most))
	if err != nil {
		return nil, fmt.Errorf("read the queue: %w", explain(err))
	}
	return all, nil
}

// heads reads rows of headColumns to their end, or to the first error.
func heads(rows pgx.Rows, err error) iter.Seq2[Head, error] {
	return func(yield func(Head, error) bool) {
		if err != nil {
			yield(Head{}, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			var h Head
			var id, org, job, desk pgtype.UUID
			var kind string
			var queued, due pgtype.Timestamptz
			var hash []byte
			if err := rows.Scan(&id, &kind, &org, &job, &desk, &h.Phase, &queued, &due, &h.Seq, &hash, &h.Summary, &h.ChangedAt); err != nil {
				yield(Head{}, err)
				return
			}
			h.Stream = stream.Ref{Kind: stream.Kind(kind), ID: id.Bytes}
			h.Org, h.Job, h.Desk = org.Bytes, orNil(job), orNil(desk)
			h.QueuedAt, h.DueAt = orNoTime(queued), orNoTime(due)
			h.Hash, h.ChangedAt = stream.Hash(hash), h.ChangedAt.UTC()
			if !yield(h, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(Head{}, err)
		}
	}
}

func collect[T any](seq iter.Seq2[T, error]) ([]T, error) {
	var all []T
	for v, err := range seq {
		if err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, nil
}

func orNil(id pgtype.UUID) *stream.ID {
	if !id.Valid {
		return nil
	}
	v := stream.ID(id.Bytes)
	return &v
}

func orNoTime(t pgtype.Timestamptz) *time.Time {
	if !t.Valid {
		return nil
	}
	at := t.Time.UTC()
	return &at
}
