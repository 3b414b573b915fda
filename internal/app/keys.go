package app

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"

	"readback/internal/fault"
	"readback/internal/keyfile"
	"readback/internal/live"
	"readback/internal/postgres"
)

var errOtherKeyFile = errors.New("the key file is not the one that the database's keys were wrapped with")

// ownKeys is the database for the hub. It lets no key in that was wrapped by another key file than the keys that are
// there: two first starts on one empty database may each have made a file, and entries under both could be read whole by
// neither.
type ownKeys struct {
	*postgres.DB
	keys *keyfile.Keys
	path string
	sure atomic.Bool // a key of the database opened
}

// check opens the database's newest key, if there is one.
func (o *ownKeys) check(ctx context.Context) error {
	wrapped, err := o.NewestKey(ctx)
	if fault.Is(err, fault.NotHere) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := o.keys.Wrapping().Unwrap(wrapped); err != nil {
		return fmt.Errorf("key file %s: %w: %w", o.path, errOtherKeyFile, err)
	}
	o.sure.Store(true)
	return nil
}

// Append is the database's. A key of another key file is refused for good, so that nobody tries again.
func (o *ownKeys) Append(ctx context.Context, a live.Append) (live.Outcome, error) {
	if a.NewKey != nil && !o.sure.Load() {
		err := o.check(ctx)
		if errors.Is(err, errOtherKeyFile) {
			return 0, fault.Of(err)
		}
		if err != nil {
			return 0, err
		}
	}
	return o.DB.Append(ctx, a)
}
