package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// mostTries is how often a command is decided anew because another node was faster.
const mostTries = 20

// Receipt is the answer to an accepted command: the entry it made.
type Receipt struct {
	Seq      uint64
	Hash     stream.Hash
	Type     string // of the entry
	At       time.Time
	Repeated bool // the command had been accepted before; this is its first answer
}

// Do gives a command to a stream and returns when its entry is durable, or with the refusal. When ctx ends first, the
// command goes on: what became of it shows when the same is sent again.
func (h *Hub) Do(ctx context.Context, actor stream.Actor, ref stream.Ref, cmd stream.Command) (Receipt, error) {
	urgent := h.Urgent(cmd.Type)
	ready := h.Settled
	if urgent {
		ready = h.compared // the Store's clock counts, as far as it is known
	}
	if err := ready(ctx); err != nil {
		return Receipt{}, err
	}
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return Receipt{}, err
	}
	c := &command{actor: actor, plain: cmd, answer: make(chan answer, 1)}
	near := l.nearness(ctx, actor)
	if err := l.put(c, near, urgent && access.Allowed(actor.Roles, near, ref.Kind, access.Command)); err != nil {
		l.release()
		return Receipt{}, err
	}
	select {
	case got := <-c.answer:
		return got.receipt, got.err
	case <-l.done:
		select {
		case got := <-c.answer:
			return got.receipt, got.err
		default:
			return Receipt{}, l.ended()
		}
	case <-ctx.Done():
		return Receipt{}, ctx.Err()
	}
}

// command is one command on its way through a line.
type command struct {
	actor  stream.Actor
	plain  stream.Command // as sent
	answer chan answer    // holds one

	// What is worked out once for all tries.
	admitted json.RawMessage
	seal     []string
	refused  error // by Admit
	sealed   json.RawMessage
	key      trail.Key // the one sealed and mac were made with
	mac      []byte
	made     *trail.WrappedKey // key was made for this command, which opens the stream
}

type answer struct {
	receipt Receipt
	err     error
}

func (c *command) refuse(err error) { c.answer <- answer{err: err} }

func (c *command) run(l *line) {
	ctx, cancel := context.WithTimeout(l.hub.hard, l.hub.cfg.Patience)
	defer cancel()
	receipt, err := l.accept(ctx, c)
	switch n := &l.hub.count; {
	case err != nil:
		n.refused.Add(1)
	case receipt.Repeated:
		n.repeated.Add(1)
	default:
		n.accepted.Add(1)
	}
	l.release()
	c.answer <- answer{receipt, err}
}

// accept decides the command, makes its entry durable and shows it. Another node may append in between; then what it
// appended is read and the command is looked at again from the start.
func (l *line) accept(ctx context.Context, c *command) (Receipt, error) {
	sent := false // this very command may have been written by us
	for range mostTries {
		from := l.fold.Seq
		a, e, err := l.draft(ctx, c)
		var again *repeated
		switch {
		case errors.As(err, &again):
			return l.receipt(ctx, again.seq, !sent)
		case l.endErr != nil:
			return Receipt{}, l.endErr
		case err != nil && (c.refused != nil || fault.Of(err).Kind() == fault.Internal || fault.Of(err).Kind() == fault.Unavailable):
			return Receipt{}, err
		case err != nil:
			// Refused by what this node knows; another may know more.
			if missed := l.catchUp(ctx); missed != nil {
				return Receipt{}, missed
			}
			if l.fold.Seq == from {
				return Receipt{}, err
			}
			continue
		case l.fold.Seq != from:
			continue // news came in while other streams were asked
		}
		outcome, err := l.append(ctx, a)
		if err != nil {
			l.wake() // it may stand there all the same
			return Receipt{}, err
		}
		switch outcome {
		case Won:
			if err := l.fold.Apply(e); err != nil {
				return Receipt{}, fmt.Errorf("fold own entry: %w", err) // it was tried before it was sent
			}
			l.show(ctx, a.Record)
			return Receipt{Seq: e.Seq, Hash: e.Hash, Type: e.Type, At: e.At}, nil
		case RunsElsewhere:
			return Receipt{}, fault.New(fault.BusyElsewhere, "The specialist already runs another vehicle's routine. End or stop that one first.")
		}
		sent = true
		l.hub.count.lost.Add(1)
		if err := l.catchUp(ctx); err != nil {
			return Receipt{}, err
		}
		if l.fold.Seq == 0 {
			return Receipt{}, access.NotHere() // the id is another kind's
		}
	}
	return Receipt{}, fault.New(fault.NotReady, "Others were faster each time. Send the same again.")
}

// append makes the entry durable. After an error nobody knows whether it is: the same bytes go again until the
// Store says.
func (l *line) append(ctx context.Context, a Append) (Outcome, error) {
	const shortest, longest = 10 * time.Millisecond, time.Second
	pause := shortest
	for unsure := false; ; unsure = true {
		outcome, err := l.hub.cfg.Store.Append(ctx, a)
		var said *fault.Error
		switch {
		case err == nil && outcome == RunsElsewhere && unsure:
			return Lost, nil // perhaps it is this very leg that runs: look
		case err == nil:
			return outcome, nil
		case errors.As(err, &said) && said.Kind() != fault.Unavailable:
			return 0, err
		}
		l.hub.count.unsure.Add(1)
		t := time.NewTimer(pause)
		select {
		case <-t.C:
			pause = min(2*pause, longest)
		case <-ctx.Done():
			t.Stop()
			return 0, fault.New(fault.NotReady,
				"Whether this was written is not known yet. Send the same again, with the same id.").Because(err)
		}
	}
}

// receipt is the answer that an earlier entry gave.
func (l *line) receipt(ctx context.Context, seq uint64, repeated bool) (Receipt, error) {
	records, err := l.hub.loadSome(ctx, l.ref, seq-1, 1)
	if err != nil {
		return Receipt{}, err
	}
	if len(records) == 0 {
		return Receipt{}, fmt.Errorf("entry %d of %s is folded and not stored", seq, l.ref)
	}
	r := records[0]
	return Receipt{Seq: r.Seq, Hash: r.Hash, Type: r.Type, At: r.At, Repeated: repeated}, nil
}
