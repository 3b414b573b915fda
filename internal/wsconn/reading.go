package wsconn

import (
	"context"
	"fmt"
	"runtime/debug"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/wire"
)

// reading has live readings computed beside the reader. Readings of one stream are worked off one after the other; of those
// that wait the newest takes the place of the one before, which is dropped without a word.
func (c *conn) reading(m wire.Reading) {
	about := wire.About{Stream: &m.Stream, Reading: &m.N}
	c.mu.Lock()
	if c.settled {
		c.mu.Unlock()
		return
	}
	waits, working := c.readings[m.Stream]
	if !working && len(c.readings) >= c.server.limits.AtOnce {
		c.mu.Unlock()
		c.refuse(about, fault.New(fault.TooMany, "One connection sends live readings of only so many calibrations at once."))
		return
	}
	if waits != nil {
		c.box.lose()
	}
	if c.readings == nil {
		c.readings = map[stream.Ref]*wire.Reading{}
	}
	c.readings[m.Stream] = &m
	if !working {
		c.work.Go(func() { c.workOffReadings(m.Stream) })
	}
	c.mu.Unlock()
}

// workOffReadings gives the stream's readings to the hub until none waits.
func (c *conn) workOffReadings(ref stream.Ref) {
	for {
		c.mu.Lock()
		m := c.readings[ref]
		if m == nil || c.ended {
			delete(c.readings, ref)
			c.mu.Unlock()
			return
		}
		c.readings[ref] = nil
		c.mu.Unlock()
		if err := c.compute(*m); err != nil {
			c.refuse(wire.About{Stream: &ref, Reading: &m.N}, err)
		}
	}
}

// compute has the hub show what the readings come to. A panic on the way is a failure of these readings alone.
func (c *conn) compute(m wire.Reading) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("live reading of %s: panic: %v\n%s", m.Stream, p, debug.Stack())
		}
	}()
	ctx, cancel := context.WithTimeout(c.ctx, c.server.limits.CommandWait)
	defer cancel()
	hub := c.server.c.Hub
	actor, err := hub.Actor(ctx, c.access.Org, c.access.Member)
	if err != nil {
		return err
	}
	_, err = hub.Live(ctx, actor, m.Stream, live.Reading{N: m.N, Data: m.Data})
	return err
}
