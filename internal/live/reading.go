package live

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"sync"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
)

// LiveKey is the key of the hub's own note about what instruments read now: an object of N, Seq, At and Member with
// the members that the kind's rules add; or the same with "gone" where the last one is out of date.
const LiveKey = "live"

const (
	liveEvery  = 100 * time.Millisecond // live readings of one stream on one node come this often
	liveBurst  = 5                      // and so many at once, where they were held up on their way
	staleAfter = 2 * time.Second        // age from which a live value counts no more
)

// Reading is what instruments read now. N is the sender's own count, by which the value can be named afterwards.
type Reading struct {
	N    uint64
	Data json.RawMessage // left to the kind's rules to check
}

// liveHead is what the hub itself adds to a live value.
type liveHead struct {
	N      uint64    `json:"n"`
	Seq    uint64    `json:"seq"` // of the last entry when it was computed
	At     time.Time `json:"at"`
	Member stream.ID `json:"member"` // who sent the readings: a member or a gateway
	Gone   bool      `json:"gone,omitempty"`
}

// Live computes what live readings come to and shows it to those who take part in the stream, on whatever node: the
// sender too, if that one follows. Nothing is stored and no line waits. It rests on what this node knows already, without
// asking the Store. Readings of a stream are computed one after the other; of those that come meanwhile the newest
// waits and the others are refused, as are those that come too often. It returns the value.
func (h *Hub) Live(ctx context.Context, actor stream.Actor, ref stream.Ref, r Reading) (json.RawMessage, error) {
	l, err := h.arrive(ctx, ref)
	if err != nil {
		return nil, err
	}
	defer l.release()
	if err := h.hears(ctx, l, actor); err != nil {
		return nil, err
	}
	rules := l.rules.(stream.LiveRules) // or it would not have been heard
	order, err := rules.ReadLive(r.Data)
	if err != nil {
		return nil, err
	}
	if err := l.turns.take(ctx, h.cfg.Now()); err != nil {
		h.count.dropped.Add(1)
		return nil, err
	}
	defer l.turns.done()
	value, err := h.compute(ctx, l, rules, actor, r.N, order)
	if err != nil {
		return nil, err
	}
	h.count.live.Add(1)
	l.hear(heardNote{key: LiveKey}, value)
	if l.followedElsewhere.Load() || !l.heeded.Load() { // where nobody follows, nobody hears who does elsewhere
		h.tell(joinKey(l.ref, LiveKey), value)
	}
	return value, nil
}

// hears refuses those from whom the stream takes no readings, by what this node knows.
func (h *Hub) hears(ctx context.Context, l *line, actor stream.Actor) error {
	now := l.now.Load()
	rules, ok := l.rules.(stream.LiveRules)
	if !ok || now.fold.Seq == 0 {
		return access.NotHere()
	}
	relation, err := h.relation(ctx, &now.fold, actor)
	if err != nil {
		return err
	}
	if err := access.Check(actor, relation, l.ref.Kind, access.Show); err != nil {
		return err
	}
	return rules.AdmitLive(now.fold.State, actor)
}

// compute gives the value as it is sent.
func (h *Hub) compute(ctx context.Context, l *line, rules stream.LiveRules, actor stream.Actor, n uint64, order any) (value []byte, err error) {
	defer func() {
		if p := recover(); p != nil { // a mistake in the rules costs one value
			err = fmt.Errorf("live reading of %s: panic: %v", l.ref, p)
		}
	}()
	f := &l.now.Load().fold
	facts, err := h.known(ctx, f, rules.LiveNeeds(f.State, actor, order))
	if err != nil {
		return nil, err
	}
	head := liveHead{N: n, Seq: f.Seq, At: h.clock.now().UTC().Truncate(time.Millisecond), Member: actor.Member}
	got, err := rules.Live(f.State, actor, order, facts, head.At)
	if err != nil {
		return nil, err
	}
	rest, err := json.Marshal(got)
	if err != nil {
		return nil, fmt.Errorf("encode what %s reads: %w", l.ref, err)
	}
	if value, err = json.Marshal(head); err != nil {
		return nil, fmt.Errorf("encode what %s reads: %w", l.ref, err)
	}
	return append(append(value[:len(value)-1], ','), rest[1:]...), nil
}

// hearLive shows a live value to those who take part. One that rests on other entries than they have is dropped: one on
// older entries would be wrong, and whoever may see one on newer entries is not known before these are read.
func (l *line) hearLive(ctx context.Context, value []byte) {
	var head liveHead
	if value == nil || json.Unmarshal(value, &head) != nil {
		return
	}
	if head.Seq > l.fold.Seq && l.catchUp(ctx) != nil {
		return // the line is told again of what it lacks
	}
	left := staleAfter - l.hub.clock.now().Sub(head.At)
	if head.Seq != l.fold.Seq || left <= 0 {
		l.hub.count.dropped.Add(1)
		return
	}
	l.note(Note{Ref: l.ref, Key: LiveKey, From: head.Member, Value: value}, nil)
	l.shown = head
	if l.stale == nil {
		l.stale = time.AfterFunc(left, l.nudge)
	} else {
		l.stale.Reset(left)
	}
}

// endLive says that the last live value is out of date, once it is.
func (l *line) endLive() {
	if l.shown.At.IsZero() || l.hub.clock.now().Sub(l.shown.At) < staleAfter {
		return
	}
	gone := l.shown
	gone.Gone = true
	l.shown = liveHead{}
	if value, err := json.Marshal(gone); err == nil { // numbers and ids always encode
		l.note(Note{Ref: l.ref, Key: LiveKey, From: gone.Member, Value: value}, nil)
	}
}

// liveTurns lets the live readings of a stream through one at a time and not too often.
type liveTurns struct {
	mu   sync.Mutex // guards what follows
	busy bool
	next *liveTurn
	due  time.Time // when the next would come if all came in time
}

type liveTurn struct{ mine chan error } // holds one

// take waits for a turn; done must follow unless there is an error. Whoever comes later takes the place of whoever waits.
func (t *liveTurns) take(ctx context.Context, now time.Time) error {
	t.mu.Lock()
	if t.due.Sub(now) > (liveBurst-1)*liveEvery {
		t.mu.Unlock()
		return fault.New(fault.TooMany, "Live readings of one calibration come at most "+
			strconv.Itoa(int(time.Second/liveEvery))+" times a second. Send the newest ones then.")
	}
	if t.due.Before(now) {
		t.due = now
	}
	t.due = t.due.Add(liveEvery)
	if !t.busy {
		t.busy = true
		t.mu.Unlock()
		return nil
	}
	if t.next != nil {
		t.next.mine <- fault.New(fault.TooMany, "Newer readings came before these were computed.")
	}
	turn := &liveTurn{mine: make(chan error, 1)}
	t.next = turn
	t.mu.Unlock()
	select {
	case err := <-turn.mine:
		return err
	case <-ctx.Done():
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.next == turn {
		t.next = nil
		return ctx.Err()
	}
	if err := <-turn.mine; err != nil {
		return err
	}
	t.pass()
	return ctx.Err()
}

// done gives the turn to whoever waits.
func (t *liveTurns) done() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.pass()
}

// pass is called with mu held.
func (t *liveTurns) pass() {
	if t.next == nil {
		t.busy = false
		return
	}
	t.next.mine <- nil
	t.next = nil
}
