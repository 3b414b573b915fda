package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"readback/internal/stream"
	"readback/internal/trail"
)

// facts gives what a decision of this line relies on: read from the other streams as they are in the Store by now, and
// with personal values sealed for this one. A fact that the line holds at the newest version is given as it is held.
// News of this line may come in meanwhile.
func (l *line) facts(ctx context.Context, keys []stream.FactKey, key trail.Key) (stream.Facts, error) {
	facts := stream.Facts{}
	others := map[stream.Ref]*line{}
	looks := map[stream.Ref]*look{}
	defer func() {
		for _, o := range others {
			o.release()
		}
	}()
	for _, k := range keys {
		if _, ok := others[k.Stream]; ok || k.Stream == l.ref {
			continue
		}
		o, err := l.hub.arrive(ctx, k.Stream)
		if err != nil {
			return nil, fmt.Errorf("fact %s: %w", k, err)
		}
		others[k.Stream], looks[k.Stream] = o, o.look()
	}
	for ref, o := range others {
		if err := o.await(ctx, looks[ref], l); err != nil {
			return nil, fmt.Errorf("facts of %s: %w", ref, err)
		}
	}
	for _, k := range keys {
		from := l.fold
		if o, ok := others[k.Stream]; ok {
			from = &o.now.Load().fold
		}
		fact, ok := from.Fact(k.Name)
		if !ok {
			continue
		}
		if held, ok := l.fold.Held[k]; ok && held.Seq == fact.Seq && held.Hash == fact.Hash {
			facts[k] = held
			continue
		}
		var err error
		if fact.Value, err = l.reseal(ctx, fact, key); err != nil {
			return nil, fmt.Errorf("fact %s: %w", k, err)
		}
		facts[k] = fact
	}
	return facts, nil
}

// reseal closes a fact's personal values with this line's key. One that does not open any more stays as it is.
func (l *line) reseal(ctx context.Context, fact stream.Fact, key trail.Key) (json.RawMessage, error) {
	return trail.EachSealed(fact.Value, func(path string, s stream.Sealed) (any, error) {
		from, err := l.hub.keys.get(ctx, s.Sealed.K)
		if err != nil {
			if errors.Is(err, errErased) {
				return s, nil
			}
			return nil, err
		}
		plain, err := from.Open(fact.Key.Stream.ID, path, s)
		if err != nil {
			return s, nil
		}
		return key.Seal(l.hub.cfg.Random, l.ref.ID, trail.FactPath(fact.Key.Name, path), plain)
	})
}
