package notify

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/trail"
)

const (
	mostLeaves = 500 // entries that deliveries are made for at a time
	mostFolds  = 500 // streams that are kept folded
	pageOf     = 500 // entries read at a time
)

// feed makes deliveries from entries. It belongs to one goroutine.
type feed struct {
	store Store
	rules map[stream.Kind]stream.Rules

	// folds are streams as of the last entry that this feed came to, so that each entry is folded once; by the order in
	// which they were last used.
	folds map[stream.Ref]*stream.Fold
	used  []stream.Ref
}

func newFeed(cfg Config) *feed {
	return &feed{store: cfg.Store, rules: cfg.Rules, folds: map[stream.Ref]*stream.Fold{}}
}

// make goes on from where deliveries were made last, and reports whether there may be more.
func (f *feed) make(ctx context.Context) (bool, error) {
	next, hooks, err := f.store.Made(ctx)
	if err != nil {
		return false, err
	}
	leaves, err := f.store.Leaves(ctx, next, mostLeaves)
	if err != nil || len(leaves) == 0 {
		return false, err
	}
	to := leaves[len(leaves)-1].Index + 1
	b := batch{hooks: map[hookKey]Hook{}}
	for _, h := range hooks {
		b.hooks[h.key()] = h
	}
	for _, l := range leaves {
		if len(b.hooks) == 0 && l.Entry.Kind != stream.Register {
			continue // nobody to tell
		}
		if err := f.entry(ctx, &b, l); err != nil {
			clear(f.folds) // whatever is wrong with them
			f.used = nil
			return false, fmt.Errorf("make deliveries for entry %d of %s: %w", l.Seq, l.Entry, err)
		}
	}
	if _, err := f.store.Make(ctx, next, to, b.changed, b.deliveries); err != nil {
		return false, err
	}
	return true, nil // by this one or by a faster one
}

// hookKey tells webhooks apart: owners choose the ids of theirs, so two registers may hold the same one.
type hookKey struct{ org, id stream.ID }

func (h Hook) key() hookKey { return hookKey{h.Org, h.ID} }

// batch is what becomes of some entries.
type batch struct {
	hooks      map[hookKey]Hook
	changed    []Hook
	deliveries []Delivery
}

func (f *feed) entry(ctx context.Context, b *batch, l Leaf) error {
	before, after, e, err := f.at(ctx, l)
	if err != nil {
		return err
	}
	if r, ok := after.(*register.State); ok {
		b.learn(r)
	}
	rules := f.rules[l.Entry.Kind]
	was, is := rules.Summary(before), rules.Summary(after)
	event := register.EventName(e.Stream.Kind, e.Type)
	var body []byte
	for _, h := range b.inOrder() {
		own := h.Org == is.Org
		// A desk is told of what it has claimed, with the entries that begin and end its claim.
		claimed := l.Entry.Kind == stream.Calibration && (isDesk(was.Desk, h.Org) || isDesk(is.Desk, h.Org))
		if !own && !claimed || !(register.Webhook{Events: h.Events, Active: h.Active}).Wants(event) {
			continue
		}
		if body == nil {
			if body, err = messageOf(e, is); err != nil {
				return err
			}
		}
		b.deliveries = append(b.deliveries, Delivery{ID: stream.NewID(), Org: h.Org, Webhook: h.ID, Index: l.Index, Event: event, Body: body})
	}
	return nil
}

func isDesk(desk *stream.ID, org stream.ID) bool { return desk != nil && *desk == org }

// learn takes in what a register says of its webhooks now.
func (b *batch) learn(r *register.State) {
	for _, w := range r.Webhooks() {
		h := Hook{ID: w.ID, Org: r.ID(), URL: w.URL, Events: w.Events, Active: w.Active}
		known, ok := b.hooks[h.key()]
		if ok && known.URL == h.URL && known.Active == h.Active && slices.Equal(known.Events, h.Events) {
			continue
		}
		b.hooks[h.key()] = h
		b.changed = slices.DeleteFunc(b.changed, func(c Hook) bool { return c.key() == h.key() })
		b.changed = append(b.changed, h)
	}
}

func (b *batch) inOrder() []Hook {
	list := make([]Hook, 0, len(b.hooks))
	for _, h := range b.hooks {
		if h.Active {
			list = append(list, h)
		}
	}
	slices.SortFunc(list, func(x, y Hook) int {
		return cmp.Or(slices.Compare(x.Org[:], y.Org[:]), slices.Compare(x.ID[:], y.ID[:]))
	})
	return list
}

// at gives an entry and the states before and after it.
func (f *feed) at(ctx context.Context, l Leaf) (before, after stream.State, e stream.Entry, err error) {
	fold := f.folds[l.Entry]
	if fold == nil || fold.Seq >= l.Seq { // what another node went past is come to again only after it failed
		fold = stream.NewFold(f.rules[l.Entry.Kind], l.Entry.ID)
	}
	for fold.Seq < l.Seq {
		records, err := f.store.Load(ctx, l.Entry, fold.Seq, int(min(l.Seq-fold.Seq, pageOf)))
		if err != nil {
			return nil, nil, e, err
		}
		if len(records) == 0 {
			return nil, nil, e, fmt.Errorf("entry %d is not there", fold.Seq+1)
		}
		for _, r := range records {
			if e, err = trail.Decode(r); err != nil {
				return nil, nil, e, err
			}
			before = fold.State
			if err = fold.Apply(e); err != nil {
				return nil, nil, e, err
			}
		}
	}
	f.keep(l.Entry, fold)
	return before, fold.State, e, nil
}

func (f *feed) keep(ref stream.Ref, fold *stream.Fold) {
	f.folds[ref] = fold
	if i := slices.Index(f.used, ref); i >= 0 {
		f.used = slices.Delete(f.used, i, i+1)
	}
	f.used = append(f.used, ref)
	if len(f.used) > mostFolds {
		delete(f.folds, f.used[0])
		f.used = slices.Delete(f.used, 0, 1)
	}
}
