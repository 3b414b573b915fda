package live

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"readback/internal/fault"
)

// mostOffset is how far this machine's clock may be from the database's. Beyond it something is wrong that correcting
// would hide.
const mostOffset = 2 * time.Second

// clock is this machine's clock corrected by the Store's.
type clock struct {
	store    Store
	local    func() time.Time
	every    time.Duration
	compared chan struct{} // closed after the first attempt to compare
	known    atomic.Bool   // compared at least once
	offset   atomic.Int64  // of the Store's clock to ours, in nanoseconds
}

func (c *clock) run(ctx context.Context, stopping <-chan struct{}) {
	const retry = time.Second
	t := time.NewTimer(0)
	defer t.Stop()
	for first := true; ; {
		select {
		case <-stopping:
			return
		case <-t.C:
		}
		next := c.every
		if err := c.compare(ctx); err != nil {
			next = retry
		}
		if first {
			first = false
			close(c.compared)
		}
		t.Reset(next)
	}
}

// compare follows the Store's clock as far as its answer says. The Store read it between asking and hearing, nobody knows
// when: what was believed before stays where that allows it, else as little is changed as it allows. A machine that is busy
// for a second while it asks, as at its start, so gets no wrong clock by it.
func (c *clock) compare(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, mostOffset)
	defer cancel()
	asked := c.local()
	there, err := c.store.Now(ctx)
	if err != nil {
		return fmt.Errorf("compare clocks: %w", err)
	}
	heard := c.local()
	least, most := there.Sub(heard), there.Sub(asked)
	c.offset.Store(min(max(c.offset.Load(), int64(least)), int64(most)))
	c.known.Store(true)
	return nil
}

// fit says why times of this clock must not enter the trail, or nil.
func (c *clock) fit() error {
	if !c.known.Load() {
		return fault.New(fault.NotReady, "The clock has not been compared with the database's yet.")
	}
	if off := time.Duration(c.offset.Load()); off > mostOffset || off < -mostOffset {
		return fault.New(fault.NotReady, fmt.Sprintf("The clock of this server is %v from the database's; at most %v is allowed.",
			off.Abs().Round(time.Millisecond), mostOffset))
	}
	return nil
}

func (c *clock) now() time.Time { return c.local().Add(time.Duration(c.offset.Load())) }
