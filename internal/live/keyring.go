package live

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

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
