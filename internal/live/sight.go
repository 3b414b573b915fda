package live

import (
	"context"
	"fmt"
	"time"

	"readback/internal/access"
	"readback/internal/stream"
	"readback/internal/trail"
)

// relation says what the actor is to the stream, by what this node knows of the streams that it depends on. It never
// waits for their news: a change elsewhere counts from when the bus tells.
func (h *Hub) relation(ctx context.Context, f *stream.Fold, actor stream.Actor) (stream.Relation, error) {
	relation, err := h.ownRelation(ctx, f, actor)
	if err != nil || relation != stream.Foreign || f.Seq == 0 {
		return relation, err
	}
	err = h.eachBelonging(ctx, f.Ref, func(o *stream.Fold) error {
		there, err := h.ownRelation(ctx, o, actor)
		relation = access.Nearest(relation, there)
		return err
	})
	return relation, err
}

// eachBelonging calls use with each stream that belongs to the owner.
func (h *Hub) eachBelonging(ctx context.Context, owner stream.Ref, use func(*stream.Fold) error) error {
	if h.cfg.Belonging == nil || owner.Kind != stream.Job {
		return nil
	}
	refs, err := h.cfg.Belonging(ctx, owner)
	if err != nil {
		return unavailable(fmt.Errorf("what belongs to %s: %w", owner, err))
	}
	for _, ref := range refs {
		l, err := h.arrive(ctx, ref)
		if err != nil {
			return err
		}
		now := l.now.Load()
		l.release()
		if err := use(&now.fold); err != nil {
			return err
		}
	}
	return nil
}

// ownRelation is what the stream's own rules say.
func (h *Hub) ownRelation(ctx context.Context, f *stream.Fold, actor stream.Actor) (stream.Relation, error) {
	if f.Seq == 0 {
		return stream.Foreign, nil
	}
	facts, err := h.known(ctx, f, f.Rules.RelationNeeds(f.State, actor))
	if err != nil {
		return "", fmt.Errorf("relation to %s: %w", f.Ref, err)
	}
	return f.Rules.Relation(f.State, actor, facts), nil
}

// known gives facts as this node has them, without asking whether there is news.
func (h *Hub) known(ctx context.Context, f *stream.Fold, keys []stream.FactKey) (stream.Facts, error) {
	var facts stream.Facts
	for _, k := range keys {
		from := f
		if k.Stream != f.Ref {
			o, err := h.arrive(ctx, k.Stream)
			if err != nil {
				return nil, err
			}
			from = &o.now.Load().fold
			o.release()
		}
		if fact, ok := from.Fact(k.Name); ok {
			if facts == nil {
				facts = stream.Facts{}
			}
			facts[k] = fact
		}
	}
	return facts, nil
}

// shows reports whether the actor may see what happens in the stream now. Ended shows only what there was.
func (l *line) shows(r stream.Relation, actor stream.Actor) bool {
	return r != stream.Ended && access.Allowed(actor.Roles, r, l.ref.Kind, access.See)
}

// opens reports whether a relation shows personal values in plain text.
func opens(r stream.Relation) bool { return r == stream.Own || r == stream.Claimed }

// sight gives the entries after the given one that the actor may see, up to those folded. A desk whose claim is over
// sees them up to the last one that it saw as they came.
func (h *Hub) sight(ctx context.Context, f *stream.Fold, actor stream.Actor, relation stream.Relation, after uint64) ([]trail.Record, error) {
	return h.sightOf(ctx, f, actor, relation, after, 0)
}

// sightOf is sight of at most limit entries, unless that is 0, and of a page of them. It does not hold for a desk whose claim is over: what that
// one sees takes all entries to know, so it gets all.
func (h *Hub) sightOf(ctx context.Context, f *stream.Fold, actor stream.Actor, relation stream.Relation, after uint64, limit int) ([]trail.Record, error) {
	from := after
	if relation == stream.Ended {
		from, limit = 0, 0
	}
	records, err := h.loadFor(ctx, actor, f.Ref, from, limit)
	if err != nil {
		return nil, err
	}
	n := f.Seq - min(from, f.Seq) // those folded
	if uint64(len(records)) > n {
		records = records[:n]
	}
	if relation != stream.Ended {
		if limit > 0 {
			n = min(n, uint64(limit))
		}
		if len(records) == 0 && n > 0 || limit == 0 && uint64(len(records)) < n {
			// The Store knows of an agreement or a claim that ended, of which this node has not heard yet.
			return nil, access.NotHere()
		}
		return records, nil
	}
	last, err := h.lastSeen(ctx, f, actor, records)
	if err != nil {
		return nil, err
	}
	return records[min(after, last):last], nil
}

// lastSeen is the number of the last entry that the actor, whose claim is over, saw. records are all of the stream's.
func (h *Hub) lastSeen(ctx context.Context, f *stream.Fold, actor stream.Actor, records []trail.Record) (uint64, error) {
	own, err := h.ownRelation(ctx, f, actor)
	if err != nil {
		return 0, err
	}
	if own == stream.Foreign { // the claim was of a stream that belongs to this one
		return h.lastBefore(ctx, f, actor, records)
	}
	var last uint64
	var before stream.Relation
	again := stream.NewFold(f.Rules, f.Ref.ID)
	for _, r := range records {
		if err := fold(again, r); err != nil {
			return 0, err
		}
		relation, err := h.ownRelation(ctx, again, actor)
		if err != nil {
			return 0, err
		}
		if before == stream.Claimed || relation == stream.Claimed || relation == stream.Agreed {
			last = r.Seq
		}
		before = relation
	}
	return last, nil
}

// lastBefore is the number of the last entry until the claim of whatever belongs to the stream was over.
func (h *Hub) lastBefore(ctx context.Context, f *stream.Fold, actor stream.Actor, records []trail.Record) (uint64, error) {
	var until time.Time
	err := h.eachBelonging(ctx, f.Ref, func(o *stream.Fold) error {
		relation, err := h.ownRelation(ctx, o, actor)
		if err != nil || relation != stream.Ended {
			return err
		}
		theirs, err := h.loadSome(ctx, o.Ref, 0, int(o.Seq))
		if err != nil {
			return err
		}
		theirs = theirs[:o.Seq]
		last, err := h.lastSeen(ctx, o, actor, theirs)
		if err == nil && last > 0 && theirs[last-1].At.After(until) {
			until = theirs[last-1].At
		}
		return err
	})
	last := 0
	for last < len(records) && !records[last].At.After(until) {
		last++
	}
	return uint64(last), err
}

// fold folds one more stored entry.
func fold(f *stream.Fold, r trail.Record) error {
	e, err := trail.Decode(r)
	if err == nil && e.Prev != f.Head {
		err = trail.Follows(f.Seq, f.Head, r)
	}
	if err == nil {
		err = f.Apply(e)
	}
	if err != nil {
		return fmt.Errorf("fold %s: %w", f.Ref, err)
	}
	return nil
}
