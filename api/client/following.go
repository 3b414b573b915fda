package client

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// mostQueued bounds the entries of one Following that wait for Next. Beyond it the server is told to stop, and asked for
// the rest when they have been taken.
const mostQueued = 1024

// ErrOutOfSight says that a stream is no longer the member's to see.
var ErrOutOfSight = errors.New("client: the stream is no longer yours to see")

// Following is a stream that a Live follows.
type Following struct {
	live *Live
	ref  Ref
	nth  uint64 // in the order of Follow, in which they are asked for on each connection

	mu      sync.Mutex // guards what follows; taken after the Live's
	queue   []Entry
	last    uint64 // number of the last entry put into the queue
	head    uint64 // see Head
	here    []Person
	unheard time.Duration
	value   LiveValue // the newest; its zero before there is one

	refusedN   uint64 // of readings that were refused last
	refusedWhy *Problem

	full     bool        // the server was told to stop
	asked    *link       // the connection on which the server follows for us, or was asked to
	stale    bool        // entries that the server sent before it was asked anew may still arrive
	failures int         // refusals and endings in a row
	again    *time.Timer // to follow anew
	err      error       // why it is over
	changed  chan struct{}
}

// Follow gives the entries of a stream after the given one, and those to come. A Live follows a stream once, and as many
// streams as the server lets one connection follow (64 by default): one more is refused as too-many, which Next gives. Close
// another Following first, or Connect a further Live.
func (l *Live) Follow(ref Ref, after uint64) (*Following, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return nil, l.err
	}
	if l.follows[ref] != nil {
		return nil, fmt.Errorf("client: %s is followed already", ref)
	}
	l.followed++
	f := &Following{live: l, ref: ref, nth: l.followed, last: after, changed: make(chan struct{})}
	l.follows[ref] = f
	if l.link != nil {
		f.begin(l.link, true)
	}
	return f, nil
}

// begin asks for the entries after the last one. Called with the Live's lock held. stale says whether the connection may
// have been asked for this stream before.
func (f *Following) begin(k *link, stale bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err != nil || f.full || f.asked == k {
		return
	}
	if f.again != nil {
		f.again.Stop()
	}
	f.asked, f.stale = k, stale
	if frame, err := encode(followMessage{"follow", f.ref, f.last}); err == nil { // texts and numbers always encode
		k.say(frame)
	}
}

// anew asks again, if there is a connection to ask on.
func (f *Following) anew() {
	l := f.live
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.link != nil && l.follows[f.ref] == f {
		f.begin(l.link, true)
	}
}

// Close ends the following. Entries that wait are dropped.
func (f *Following) Close() {
	l := f.live
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.follows[f.ref] != f {
		return
	}
	delete(l.follows, f.ref)
	f.fail(ErrClosed)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.queue = nil
	f.unfollow()
}

// unfollow tells the server to stop. Called with both locks held.
func (f *Following) unfollow() {
	f.asked = nil
	if frame, err := encode(unfollowMessage{"unfollow", f.ref}); err == nil && f.live.link != nil { // a text always encodes
		f.live.link.say(frame)
	}
}

// fail ends the following from the other side. What waits can still be taken.
func (f *Following) fail(err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err == nil {
		f.err = err
		if f.again != nil {
			f.again.Stop()
		}
		f.tell()
	}
}

// tell wakes who waits for a change. Called with mu held.
func (f *Following) tell() {
	close(f.changed)
	f.changed = make(chan struct{})
}

// hear takes one message about the stream.
func (f *Following) hear(a answer) error {
	switch a.Say {
	case "entry":
		for e := (Entry{Seq: a.Seq, Hash: a.Hash, Body: a.Body, Opened: a.Opened}); ; {
			if room, err := f.entry(e); room || err != nil {
				return err
			}
			if f.hold() {
				return nil
			}
		}
	case "ended":
		if a.Reason == "out-of-sight" {
			f.over(ErrOutOfSight)
		} else {
			f.later()
		}
		return nil
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	switch a.Say {
	case "caught-up":
		f.head, f.failures = max(f.head, a.Seq), 0
	case "presence":
		f.here, f.unheard = a.Here, time.Duration(a.UnheardS)*time.Second
	}
	f.tell()
	return nil
}

// entry puts the next entry into the queue, if there is room. One that was there before is dropped; one that leaves a gap
// means that the connection cannot be trusted, unless the server sent it before it was asked anew.
func (f *Following) entry(e Entry) (room bool, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case e.Seq <= f.last || f.full || f.err != nil:
		return true, nil
	case e.Seq > f.last+1 && f.stale:
		return true, nil
	case e.Seq > f.last+1:
		return true, fmt.Errorf("entry %d of %s came after %d", e.Seq, f.ref, f.last)
	case len(f.queue) >= mostQueued:
		return false, nil
	}
	f.stale = false
	f.last = e.Seq
	f.queue = append(f.queue, e)
	f.tell()
	return true, nil
}

// hold tells the server to stop because the queue is full. It reports false if that is over already.
func (f *Following) hold() bool {
	l := f.live
	l.mu.Lock()
	defer l.mu.Unlock()
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) < mostQueued {
		return false
	}
	f.full = true
	f.unfollow()
	return true
}

// refused takes the server's no to following: for now, or for good. What is busy will not be so for long; but that the
// connection follows as many streams as it may, which names the stream, no waiting changes.
func (f *Following) refused(p *Problem) {
	full := slices.ContainsFunc(p.Errors, func(e ProblemField) bool { return e.Field == "stream" })
	if p.Status >= 500 || p.Status == 429 && !full {
		f.later()
	} else {
		f.over(p)
	}
}

// later asks again after a while.
func (f *Following) later() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err != nil {
		return
	}
	f.failures++
	f.asked = nil
	if f.again != nil {
		f.again.Stop()
	}
	f.again = time.AfterFunc(f.live.c.cfg.Pause(f.failures), f.anew)
}

// over ends the following for good.
func (f *Following) over(err error) {
	l := f.live
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.follows[f.ref] == f {
		delete(l.follows, f.ref)
	}
	f.fail(err)
}

// Next gives the next entry: each once, in order. When the following is over it gives what still waits and then why: a
// *Problem (such as not-found), ErrOutOfSight, ErrClosed, or what ended the Live.
func (f *Following) Next(ctx context.Context) (Entry, error) {
	for {
		f.mu.Lock()
		if len(f.queue) > 0 {
			e := f.queue[0]
			f.queue[0] = Entry{}
			f.queue = f.queue[1:]
			drained := f.full && len(f.queue) == 0
			if drained {
				f.full, f.stale = false, true
			}
			f.mu.Unlock()
			if drained {
				f.anew()
			}
			return e, nil
		}
		err, changed := f.err, f.changed
		f.mu.Unlock()
		if err != nil {
			return Entry{}, err
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return Entry{}, ctx.Err()
		}
	}
}

// Head is the number of the last entry that there was when the server had sent all of the past; 0 before that.
func (f *Following) Head() uint64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.head
}

// Here is who takes part in the stream, as far as it is known.
func (f *Following) Here() []Person {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.here
}

// Unheard is for how long nothing was heard of the specialist who holds the claim, when the server last said so; 0 while they
// are heard of.
func (f *Following) Unheard() time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.unheard
}

// Changed is closed at the next change of anything that this Following gives.
func (f *Following) Changed() <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}
