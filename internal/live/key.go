package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// errErased says that a key was destroyed, and what it sealed with it.
var errErased = errors.New("the key was destroyed")

// keyring keeps unwrapped keys, each for a limited time, so that a destroyed one is soon gone from every node.
type keyring struct {
	store  Store
	unwrap func(trail.WrappedKey) (trail.Key, error)
	age    time.Duration

	mu   sync.Mutex // guards held
	held map[stream.ID]heldKey
}

type heldKey struct {
	key   trail.Key
	until time.Time // of the process's own clock
}

// get gives the key, or errErased.
func (r *keyring) get(ctx context.Context, id stream.ID) (trail.Key, error) {
	now := time.Now()
	r.mu.Lock()
	got, ok := r.held[id]
	r.mu.Unlock()
	if ok && now.Before(got.until) {
		return got.key, nil
	}
	wrapped, err := r.store.Key(ctx, id)
	if fault.Is(err, fault.NotHere) {
		r.drop(id)
		return trail.Key{}, fmt.Errorf("key %s: %w", id, errErased)
	}
	if err != nil {
		return trail.Key{}, unavailable(fmt.Errorf("key %s: %w", id, err))
	}
	key, err := r.unwrap(wrapped)
	if err != nil {
		return trail.Key{}, fmt.Errorf("unwrap: %w", err)
	}
	r.put(key, now)
	return key, nil
}

func (r *keyring) put(key trail.Key, now time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.held[key.ID()] = heldKey{key, now.Add(r.age)}
	// Sweep as many as were added: the ring never holds more than twice what is in use.
	swept := 0
	for id, k := range r.held {
		if now.After(k.until) {
			delete(r.held, id)
		}
		if swept++; swept == 4 {
			return
		}
	}
}

func (r *keyring) drop(id stream.ID) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.held, id)
}

// useKey finds the key of the line's personal values, makes one for a new stream that has its own, and authenticates
// the command with it.
func (l *line) useKey(ctx context.Context, c *command, cmd stream.Command) error {
	owner, err := l.rules.Key(l.fold.State, cmd)
	if err != nil {
		return err
	}
	var key trail.Key
	switch {
	case owner != l.ref:
		key, err = l.keyOf(ctx, owner, c.actor)
	case l.fold.Seq > 0:
		key, err = l.hub.keyFrom(ctx, &l.fold.Opens)
	case c.made != nil:
		return nil
	default:
		if key, err = trail.NewKey(l.hub.cfg.NewID(), l.hub.cfg.Random); err != nil {
			return err
		}
		wrapped, err := l.hub.cfg.Keys.Wrap(l.hub.cfg.Random, key)
		if err != nil {
			return fmt.Errorf("wrap a new key: %w", err)
		}
		c.made = &wrapped
	}
	if err != nil {
		return err
	}
	if c.mac != nil && key.ID() == c.key.ID() {
		return nil
	}
	if l.fold.Seq > 0 {
		c.made = nil
	}
	c.key, c.sealed = key, nil
	c.mac, err = key.MAC(c.actor, c.plain)
	return err
}

// keyOf is the key of the stream that this one belongs to. A new stream may only be put under one of the actor's own.
func (l *line) keyOf(ctx context.Context, owner stream.Ref, actor stream.Actor) (trail.Key, error) {
	o, err := l.hub.arrive(ctx, owner)
	if err != nil {
		return trail.Key{}, err
	}
	defer o.release()
	now := o.now.Load()
	if l.fold.Seq == 0 && now.fold.Seq == 0 {
		if err := o.await(ctx, o.look(), l); err != nil {
			return trail.Key{}, err
		}
		now = o.now.Load()
	}
	if l.fold.Seq == 0 {
		relation, err := l.hub.relation(ctx, &now.fold, actor)
		if err != nil {
			return trail.Key{}, err
		}
		if relation != stream.Own {
			return trail.Key{}, access.NotHere()
		}
	}
	return l.hub.keyFrom(ctx, &now.fold.Opens)
}

// keyFrom is the key that a stream's first entry names.
func (h *Hub) keyFrom(ctx context.Context, o *stream.Opens) (trail.Key, error) {
	if o.Key == nil {
		return trail.Key{}, errors.New("a stream whose first entry names no key has no key of its own")
	}
	key, err := h.keys.get(ctx, *o.Key)
	if errors.Is(err, errErased) {
		return trail.Key{}, fault.New(fault.WrongPhase, "The personal values of this were erased; it takes no more entries.").Because(err)
	}
	return key, err
}

// sealData seals the named values at the top of a command's data. Where the data as admitted holds "" for the mark of one, what
// trail.Key.Same gives is put in its place.
func (h *Hub) sealData(owner stream.ID, key trail.Key, data json.RawMessage, names []string) (json.RawMessage, error) {
	if len(names) == 0 {
		return data, nil
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(data, &members); err != nil {
		return nil, fmt.Errorf("seal: %w", err)
	}
	for _, name := range names {
		raw, ok := members[name]
		if !ok {
			continue // optional, and not given
		}
		var plain string
		if err := json.Unmarshal(raw, &plain); err != nil {
			return nil, fmt.Errorf("seal %s: %w", name, err)
		}
		sealed, err := key.Seal(h.cfg.Random, owner, name, plain)
		if err != nil {
			return nil, fmt.Errorf("seal %s: %w", name, err)
		}
		if members[name], err = json.Marshal(sealed); err != nil {
			return nil, fmt.Errorf("seal %s: %w", name, err)
		}
		if _, asked := members[name+trail.MarkSuffix]; asked {
			mark, err := key.Same(name, plain)
			if err != nil {
				return nil, fmt.Errorf("mark %s: %w", name, err)
			}
			members[name+trail.MarkSuffix] = json.RawMessage(strconv.Quote(mark))
		}
	}
	return json.Marshal(members)
}
