package wsconn

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/token"
	"readback/internal/wire"
)

// handle does what one message asks. It runs in the reader.
func (c *conn) handle(frame []byte) {
	m, about, err := wire.Decode(frame)
	if err != nil {
		c.refuse(about, err)
		if c.garbage++; c.garbage >= c.server.limits.Garbage {
			c.end(wire.CloseGarbage, true)
		}
		return
	}
	c.garbage = 0
	if hello, ok := m.(wire.Hello); ok {
		c.hello(hello)
		return
	}
	if !c.welcomed {
		c.refuse(about, fault.New(fault.SignInNeeded, "Say hello first.", fault.Field{Name: "say", Want: "hello"}))
		return
	}
	switch m := m.(type) {
	case wire.Follow:
		c.follow(m)
	case wire.Unfollow:
		c.unfollow(m.Stream)
	case wire.Command:
		c.command(m)
	case wire.Reading:
		c.reading(m)
	case wire.Beat:
		c.box.putLatest("beat", wire.Encode(wire.Pulse{N: m.N, Now: wire.Instant(time.Now())}))
	}
}

// refuse answers a message that changed nothing. Faults of ours are logged here and only here.
func (c *conn) refuse(about wire.About, err error) {
	e := fault.Of(err)
	switch gone := c.ctx.Err() != nil && errors.Is(err, context.Canceled); {
	case gone: // the client left in the middle of it
		c.server.log.DebugContext(c.ctx, "message given up", "connection", c.id.String(), "member", c.access.Member.String())
	case e.Kind() == fault.Internal:
		c.server.log.ErrorContext(c.ctx, "message failed", "connection", c.id.String(), "member", c.access.Member.String(), "error", e.Unwrap())
	}
	c.say(wire.Refused{Stream: about.Stream, Command: about.Command, N: about.Reading, Problem: wire.ProblemOf(e)})
}

// recovered, deferred, answers a message whose work panicked, and so keeps the server.
func (c *conn) recovered(about wire.About) {
	if p := recover(); p != nil {
		c.refuse(about, fmt.Errorf("panic: %v\n%s", p, debug.Stack()))
	}
}

// hello signs the client in, by the token it brings or the cookie it came with.
func (c *conn) hello(m wire.Hello) {
	if c.welcomed {
		c.refuse(wire.About{}, fault.New(fault.AlreadyThere, "You said hello before."))
		return
	}
	text := m.Token
	if text == "" {
		text = c.cookie
	}
	c.cookie = ""
	if text == "" {
		c.refuse(wire.About{}, fault.New(fault.SignInNeeded, "Sign in first.", fault.Field{Name: "token", Want: "an access token, where there is no cookie"}))
		c.end(wire.CloseSignIn, true)
		return
	}
	access, err := c.server.c.Check(text)
	if err != nil {
		c.refuse(wire.About{}, err)
		if errors.Is(err, token.ErrExpired) {
			c.end(wire.CloseExpired, true)
		} else {
			c.end(wire.CloseSignIn, true)
		}
		return
	}
	c.access = access
	// Among the member's connections first, then the look at the register: so a member who is being retired is found by
	// the one or by the other.
	if !c.server.signIn(c, access.Person()) {
		c.refuse(wire.About{}, fault.New(fault.TooMany, "You have as many connections open as one member may have."))
		c.end(wire.CloseCrowded, true)
		return
	}
	actor, err := c.server.c.Hub.Actor(c.ctx, access.Org, access.Member)
	if err != nil {
		c.refuse(wire.About{}, err)
		c.endFor(err)
		return
	}
	c.mu.Lock()
	c.welcomed = true
	if !c.ended {
		c.alarm.Stop()
		c.alarm = time.AfterFunc(time.Until(access.Expires), c.still)
	}
	c.mu.Unlock()
	c.server.log.DebugContext(c.ctx, "connection welcomed", "connection", c.id.String(), "member", access.Member.String(), "client", m.Client)
	now := time.Now()
	c.say(wire.Welcome{
		Connection: c.id, Member: actor.Member, Org: actor.Org, Roles: actor.Roles,
		HeartbeatS: int(c.server.limits.Heartbeat / time.Second), Now: wire.Instant(now),
		Expires: wire.Instant(access.Expires), Protocol: wire.Protocol,
	})
}

// stillAgain is how soon the session is looked for again when the store did not answer.
const stillAgain = 5 * time.Second

// still looks whether the session goes on, now that its access token has run out, and sets the alarm for the next look.
func (c *conn) still() {
	ask := c.server.c.Still
	if ask == nil {
		c.end(wire.CloseExpired, true)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ended {
		return
	}
	c.work.Go(func() {
		ctx, cancel := context.WithTimeout(c.ctx, c.server.limits.PingEvery)
		defer cancel()
		acted := c.acted.Swap(false)
		until, err := ask(ctx, c.access, acted)
		if fault.Is(err, fault.SignInNeeded) {
			c.end(wire.CloseExpired, true)
			return
		}
		if err != nil {
			c.acted.CompareAndSwap(false, acted)
			until = time.Now().Add(stillAgain)
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		if !c.ended {
			c.alarm = time.AfterFunc(max(time.Until(until), time.Second), c.still)
		}
	})
}

// endFor closes the connection of somebody whom the register does not give as a member: for good if it says so, for now
// if it could not be asked.
func (c *conn) endFor(err error) {
	switch fault.Of(err).Kind() {
	case fault.Denied, fault.NotFound:
		c.end(wire.CloseSignedOut, true)
	default:
		c.end(wire.CloseInternal, true)
	}
}

// recheck looks whether the member still is one, one look at a time. It is called with every ping, so that a member
// retired on another node is out by the next. Called with mu held and the connection not ended.
func (c *conn) recheck() {
	if !c.welcomed || c.checking.Swap(true) {
		return
	}
	c.work.Go(func() {
		defer c.checking.Store(false)
		ctx, cancel := context.WithTimeout(c.ctx, c.server.limits.PingEvery)
		defer cancel()
		_, err := c.server.c.Hub.Actor(ctx, c.access.Org, c.access.Member)
		if fault.Is(err, fault.SignInNeeded) {
			c.end(wire.CloseSignedOut, true)
		}
	})
}

// command queues a command behind the others for its stream, or an urgent one ahead of them. Commands for different
// streams run side by side.
func (c *conn) command(m wire.Command) {
	about := wire.About{Stream: &m.Stream, Command: &m.Command.ID}
	urgent := c.server.c.Hub.Urgent(m.Command.Type)
	if c.commands.take(time.Now()) > 0 && !urgent { // how fast frames are read holds for the urgent too
		c.refuse(about, fault.New(fault.TooMany, "Commands come faster than one connection may send them. Send this one again in a second."))
		return
	}
	c.mu.Lock()
	if c.settled {
		c.mu.Unlock()
		return
	}
	c.acted.Store(true)
	room := c.server.limits.Pending
	if urgent {
		room *= 2
	}
	if c.pending >= room {
		c.mu.Unlock()
		c.refuse(about, fault.New(fault.TooMany, "Too many commands wait for their answers. Send this one again when some have come."))
		return
	}
	c.pending++
	waiting, working := c.queues[m.Stream]
	if c.queues == nil {
		c.queues = map[stream.Ref][]stream.Command{}
	}
	if urgent {
		c.queues[m.Stream] = append([]stream.Command{m.Command}, waiting...)
	} else {
		c.queues[m.Stream] = append(waiting, m.Command)
	}
	if !working {
		c.busy++
	}
	c.mu.Unlock()
	if !working {
		c.work.Go(func() { c.workOff(m.Stream) })
	}
}

// workOff runs the commands for one stream in order, until none waits. What has been read is done, also when the
// connection has ended meanwhile: whoever says stop and then loses the line has said it.
func (c *conn) workOff(ref stream.Ref) {
	for {
		c.mu.Lock()
		waiting := c.queues[ref]
		if len(waiting) == 0 {
			delete(c.queues, ref)
			c.busy--
			c.quiet()
			c.mu.Unlock()
			return
		}
		cmd := waiting[0]
		c.queues[ref] = waiting[1:]
		c.mu.Unlock()

		c.slots <- struct{}{} // given back after a command's time at the latest
		c.do(ref, cmd)
		<-c.slots

		c.mu.Lock()
		c.pending--
		c.mu.Unlock()
	}
}

// do runs one command to its end, whether or not the client is still there, and answers it.
func (c *conn) do(ref stream.Ref, cmd stream.Command) {
	ctx, cancel := context.WithTimeout(c.server.hard, c.server.limits.CommandWait)
	defer cancel()
	about := wire.About{Stream: &ref, Command: &cmd.ID}
	defer c.recovered(about)
	hub := c.server.c.Hub
	actor, err := hub.Actor(ctx, c.access.Org, c.access.Member)
	if err != nil {
		c.refuse(about, err)
		if fault.Is(err, fault.SignInNeeded) {
			c.end(wire.CloseSignedOut, true)
		}
		return
	}
	got, err := hub.Do(ctx, actor, ref, cmd)
	switch {
	case err == nil:
		c.say(wire.Accepted{
			Stream: ref, Command: cmd.ID, Seq: got.Seq, Hash: got.Hash, Type: got.Type, At: wire.Instant(got.At), Repeated: got.Repeated,
		})
	case ctx.Err() != nil:
		c.refuse(about, fault.New(fault.NotReady, "Whether this was written is not known yet. Send the same again, with the same id.").Because(err))
	default:
		c.refuse(about, err)
	}
}
