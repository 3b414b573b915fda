package live

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// mostOpened is how many sealed values one View opens.
const mostOpened = 1000

// View is a stream as one actor may see it at one moment.
type View struct {
	State    stream.State // what the kind's rules folded; never changed
	Seq      uint64
	Head     stream.Hash
	Relation stream.Relation
	Now      time.Time // by the corrected clock, for what follows from state and time

	// Opened are the sealed values among the stream's entries in plain text, by the V of each; the newest
	// 1,000 of them. It is empty for those who may not read them, and lacks those whose key was destroyed.
	Opened map[string]string
}

// visit gives a stream as it is in the Store by now, and what the actor, who may see it, is to it.
func (h *Hub) visit(ctx context.Context, actor stream.Actor, ref stream.Ref) (*stream.Fold, stream.Relation, error) {
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return nil, "", err
	}
	defer l.release()
	if err := l.await(ctx, l.look(), nil); err != nil {
		return nil, "", err
	}
	now := l.now.Load()
	relation, err := h.relation(ctx, &now.fold, actor)
	if err != nil {
		return nil, "", err
	}
	if err := access.Check(actor, relation, ref.Kind, access.See); err != nil {
		return nil, "", err
	}
	return &now.fold, relation, nil
}

// turn waits until few enough hold entries in memory; done must be called then.
func (h *Hub) turn(ctx context.Context) (done func(), err error) {
	late := time.NewTimer(turnWait)
	defer late.Stop()
	select {
	case h.turns <- struct{}{}:
		return func() { <-h.turns }, nil
	case <-late.C:
		return nil, fault.New(fault.TooMany, "As many are read at the moment as this server has room for. Try again shortly.")
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Read gives at most limit entries after the given one, and no more than a page of them, and the number of the last that the actor may see.
func (h *Hub) Read(ctx context.Context, actor stream.Actor, ref stream.Ref, after uint64, limit int) ([]Event, uint64, error) {
	f, relation, err := h.visit(ctx, actor, ref)
	if err != nil {
		return nil, 0, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return nil, 0, err
	}
	defer done()
	records, err := h.sightOf(ctx, f, actor, relation, after, max(limit, 1))
	if err != nil {
		return nil, 0, err
	}
	last := f.Seq
	if relation == stream.Ended {
		if last = after; len(records) > 0 {
			last = records[len(records)-1].Seq
		}
	}
	events := make([]Event, 0, min(len(records), limit))
	for _, r := range records[:min(len(records), limit)] {
		ev := newEvent(r)
		if opens(relation) {
			ev = h.open(ctx, ev)
		}
		events = append(events, ev)
	}
	return events, last, nil
}

// Records gives a stream's entries as they are stored, as far as the actor may see them.
func (h *Hub) Records(ctx context.Context, actor stream.Actor, ref stream.Ref) ([]trail.Record, error) {
	f, relation, err := h.visit(ctx, actor, ref)
	if err != nil {
		return nil, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return nil, err
	}
	defer done()
	return h.sight(ctx, f, actor, relation, 0)
}

// Taken is what an actor may take out of a calibration and its job.
type Taken struct {
	Calibration, Job []trail.Record
	Opens            bool // the job's key may go with it
}

// Bundle gives the entries of a calibration and of its job, for those who may take them out, as far as they saw them.
// The key opens the job's later entries and its other calibrations too, so it is only for those who may read those now.
func (h *Hub) Bundle(ctx context.Context, actor stream.Actor, id stream.ID) (Taken, error) {
	ref := stream.Ref{Kind: stream.Calibration, ID: id}
	f, relation, err := h.visit(ctx, actor, ref)
	if err != nil {
		return Taken{}, err
	}
	if err := access.Check(actor, relation, ref.Kind, access.Bundle); err != nil {
		return Taken{}, err
	}
	owner, err := f.Rules.Key(f.State, stream.Command{})
	if err != nil {
		return Taken{}, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return Taken{}, err
	}
	defer done()
	calibration, err := h.sight(ctx, f, actor, relation, 0)
	if err != nil {
		return Taken{}, err
	}
	job, err := h.loadFor(ctx, actor, owner, 0, 0)
	if err != nil {
		return Taken{}, err
	}
	if relation == stream.Ended && len(calibration) > 0 {
		until := calibration[len(calibration)-1].At
		job = slices.DeleteFunc(job, func(r trail.Record) bool { return r.At.After(until) })
	}
	return Taken{Calibration: calibration, Job: job, Opens: opens(relation)}, nil
}

// View gives a stream's state as the actor may see it.
func (h *Hub) View(ctx context.Context, actor stream.Actor, ref stream.Ref) (View, error) {
	f, relation, err := h.visit(ctx, actor, ref)
	if err != nil {
		return View{}, err
	}
	done, err := h.turn(ctx)
	if err != nil {
		return View{}, err
	}
	defer done()
	var opened map[string]string
	switch {
	case relation == stream.Ended:
		records, err := h.sight(ctx, f, actor, relation, 0)
		if err != nil {
			return View{}, err
		}
		f = stream.NewFold(f.Rules, ref.ID)
		for _, r := range records {
			if err := fold(f, r); err != nil {
				return View{}, err
			}
		}
	case opens(relation):
		if opened, err = h.openedByValue(ctx, actor, f); err != nil {
			return View{}, err
		}
	}
	return View{
		State: f.State, Seq: f.Seq, Head: f.Head, Relation: relation,
		Now: trail.Moment(h.clock.now()), Opened: opened,
	}, nil
}

// openedByValue opens the newest sealed values of the entries folded, page by page from the end.
func (h *Hub) openedByValue(ctx context.Context, actor stream.Actor, f *stream.Fold) (map[string]string, error) {
	out := map[string]string{}
	for to := f.Seq; to > 0 && len(out) < mostOpened; {
		from := to - min(to, page)
		var records []trail.Record
		for at := from; at < to; {
			some, err := h.loadFor(ctx, actor, f.Ref, at, int(to-at))
			if err != nil {
				return nil, err
			}
			if len(some) == 0 {
				break // the Store knows of an end that this node has not heard of yet
			}
			records, at = append(records, some...), some[len(some)-1].Seq
		}
		for _, r := range slices.Backward(records) {
			if len(out) >= mostOpened {
				break
			}
			h.eachOpened(ctx, r.Stream, r.Body, func(_ string, s stream.Sealed, plain string) { out[s.Sealed.V] = plain })
		}
		to = from
	}
	return out, nil
}

// Peek gives a stream's state as this node knows it, for the server itself; nil if it does not exist.
func (h *Hub) Peek(ctx context.Context, ref stream.Ref) (stream.State, error) {
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return nil, err
	}
	defer l.release()
	if now := l.now.Load(); now.fold.Seq > 0 {
		return now.fold.State, nil
	}
	return nil, nil
}

// Actor is the member as the organisation's register has it now. Someone who is not in it, or no longer, has to sign in.
func (h *Hub) Actor(ctx context.Context, org, member stream.ID) (stream.Actor, error) {
	l, err := h.arrive(ctx, stream.Ref{Kind: stream.Register, ID: org})
	if err != nil {
		return stream.Actor{}, err
	}
	now := l.now.Load()
	l.release()
	if got, ok := now.actors.Load(member); ok {
		return got.(stream.Actor), nil
	}
	unknown := fault.New(fault.SignInNeeded, "You are not, or no longer, a member of this organisation. Sign in again.")
	fact, ok := now.fold.Fact("member/" + member.String())
	if !ok {
		return stream.Actor{}, unknown
	}
	var m struct {
		Roles  []stream.Role `json:"roles"`
		Active bool          `json:"active"`
	}
	if err := json.Unmarshal(fact.Value, &m); err != nil {
		return stream.Actor{}, fmt.Errorf("member %s of %s: %w", member, org, err)
	}
	if !m.Active {
		return stream.Actor{}, unknown
	}
	actor := stream.Actor{Member: member, Org: org, Roles: m.Roles}
	now.actors.Store(member, actor)
	return actor, nil
}
