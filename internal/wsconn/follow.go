package wsconn

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"

	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/wire"
)

// follower is one stream that a connection follows. The stream's goroutine calls it; it never blocks there.
type follower struct {
	conn   *conn
	ref    stream.Ref
	ctx    context.Context // ends with the following, whoever ends it
	cancel context.CancelFunc

	mu        sync.Mutex      // guards what follows, and keeps messages of the stream in order
	following *live.Following // once the past has been sent
	last      uint64          // number of the last entry put into the outbox
	gone      bool            // nothing more is to be said of the stream
}

var _ live.Follower = (*follower)(nil)

// follow begins to follow a stream. Past entries may take a while, so the reader does not wait for them.
func (c *conn) follow(m wire.Follow) {
	about := wire.About{Stream: &m.Stream}
	c.mu.Lock()
	_, there := c.follows[m.Stream]
	full := len(c.follows) >= c.server.limits.Follows
	if there || full {
		c.mu.Unlock()
		if there {
			c.refuse(about, fault.New(fault.AlreadyThere, "You follow this stream already. Unfollow it first to begin anew."))
		} else {
			c.refuse(about, fault.New(fault.TooMany, "One connection follows only so many streams. Unfollow one first.",
				fault.Field{Name: "stream", Want: fmt.Sprintf("one of at most %d that a connection follows", c.server.limits.Follows)}))
		}
		return
	}
	f := &follower{conn: c, ref: m.Stream, last: m.After}
	f.ctx, f.cancel = context.WithCancel(c.ctx)
	if c.follows == nil {
		c.follows = map[stream.Ref]*follower{}
	}
	c.follows[m.Stream] = f
	c.mu.Unlock()
	c.work.Go(func() { f.run(m.After) })
}

// run begins the following; the stream's goroutine goes on with it.
func (f *follower) run(after uint64) {
	g, err := f.begin(after)
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case err != nil && !f.gone:
		f.conn.refuse(wire.About{Stream: &f.ref}, err)
		f.over()
	case err == nil && f.gone:
		g.Close()
	case err == nil:
		f.following = g
		f.conn.say(wire.CaughtUp{Stream: f.ref, Seq: f.last})
	}
}

// begin follows by the hub. A panic on the way is the failure to follow.
func (f *follower) begin(after uint64) (g *live.Following, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("follow %s: panic: %v\n%s", f.ref, p, debug.Stack())
		}
	}()
	hub, access := f.conn.server.c.Hub, f.conn.access
	actor, err := hub.Actor(f.ctx, access.Org, access.Member)
	if err != nil {
		return nil, err
	}
	return hub.Follow(f.ctx, actor, f.ref, after, f)
}

// over says that nothing more is to be said of the stream, and makes room for another. Called with mu held.
func (f *follower) over() {
	f.gone = true
	f.cancel()
	c := f.conn
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.follows[f.ref] == f {
		delete(c.follows, f.ref)
	}
}

// leave ends the following from our side.
func (f *follower) leave() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.over()
	if f.following != nil {
		f.following.Close()
	}
}

// Past puts an earlier entry into the outbox as soon as there is room.
func (f *follower) Past(ctx context.Context, e live.Event) error {
	frame, err := e.Frame(encode)
	if err != nil {
		return err
	}
	for {
		wait, err := f.tryPast(ctx, e.Seq, frame)
		if wait == nil {
			return err
		}
		select {
		case <-wait:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (f *follower) tryPast(ctx context.Context, seq uint64, frame []byte) (wait <-chan struct{}, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err // unfollowed, or the connection ends
	}
	if wait = f.conn.box.putPast(frame); wait == nil {
		f.last = seq
	}
	return wait, nil
}

// Entry puts a new entry into the outbox, or ends the connection if there is no room.
func (f *follower) Entry(e live.Event) bool {
	frame, err := e.Frame(encode)
	if err != nil {
		return false
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.gone {
		return true
	}
	if !f.conn.put(frame) {
		return false
	}
	f.last = e.Seq
	return true
}

// Note puts who is present, or what instruments read, into the outbox, in place of what was not sent yet.
func (f *follower) Note(n live.Note) bool {
	var frame []byte
	switch n.Key {
	case live.PresenceKey:
		frame = wire.Encode(wire.Presence{Stream: f.ref, Here: n.Value, UnheardS: n.UnheardS})
	case live.LiveKey:
		frame = wire.Encode(wire.Live{Stream: f.ref, Value: n.Value})
	default:
		return true // clients of this protocol have no others
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.gone {
		return true
	}
	return f.conn.box.putLatest(n.Key+"/"+f.ref.String(), frame)
}

// End says that the hub ended the following.
func (f *follower) End(ref stream.Ref, why live.Reason) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.gone {
		f.conn.say(wire.Ended{Stream: ref, Reason: string(why)})
		f.over()
	}
}

// encode is the frame of an event; live keeps it for all who see the same.
func encode(e live.Event) ([]byte, error) {
	return wire.Encode(wire.Entry{Stream: e.Ref, Seq: e.Seq, Hash: e.Hash, Body: e.Body, Opened: e.Opened}), nil
}

// unfollow ends a following at the client's wish. One that is not there, or no longer, needs no ending.
func (c *conn) unfollow(ref stream.Ref) {
	c.mu.Lock()
	f := c.follows[ref]
	c.mu.Unlock()
	if f != nil {
		f.leave()
	}
}

// unfollowAll ends what the connection follows.
func (c *conn) unfollowAll() {
	c.mu.Lock()
	all := make([]*follower, 0, len(c.follows))
	for _, f := range c.follows {
		all = append(all, f)
	}
	c.mu.Unlock()
	for _, f := range all {
		f.leave()
	}
}
