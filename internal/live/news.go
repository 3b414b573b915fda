package live

import (
	"context"
	"errors"
	"fmt"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// look is a wish to have read everything that is durable by now. Whoever wishes before the reading begins shares it.
type look struct {
	done chan struct{}
	err  error
}

// look asks the line to read everything that is durable by now.
func (l *line) look() *look {
	l.mu.Lock()
	if l.asked == nil {
		l.asked = &look{done: make(chan struct{})}
	}
	k := l.asked
	l.mu.Unlock()
	l.nudge()
	return k
}

// await waits until a look of the line is done. by is the line that waits, nil for someone else: it takes in its own
// news meanwhile, or two lines could wait for each other.
func (l *line) await(ctx context.Context, k *look, by *line) error {
	var poke chan struct{}
	if by != nil {
		poke = by.poke
	}
	for {
		select {
		case <-k.done:
			return k.err
		case <-l.done:
			select {
			case <-k.done:
				return k.err
			default:
				return l.ended()
			}
		case <-poke:
			by.attend(ctx)
		case <-ctx.Done():
			return unavailable(ctx.Err())
		}
	}
}

// readNews reads what the Store has, if somebody says that there is something or wants to know.
func (l *line) readNews(ctx context.Context) {
	l.mu.Lock()
	k := l.asked
	l.asked = nil
	l.mu.Unlock()
	if k == nil && !l.behind.Load() {
		return
	}
	l.behind.Store(false)
	err := l.catchUp(ctx)
	if k != nil {
		k.err = err
		close(k.done)
	}
	if err != nil && l.endErr == nil {
		// The news is still to be read, and nobody else may ask for it.
		l.behind.Store(true)
		time.AfterFunc(readAgain, l.nudge)
		l.hub.cfg.Log.DebugContext(ctx, "entries not read", "stream", l.ref.String(), "error", errors.Unwrap(err))
	}
}

// readAgain is how long a line waits with news that it could not read.
const readAgain = time.Second

// catchUp folds and publishes what is durable and not folded yet. Entries that cannot be folded end the line.
func (l *line) catchUp(ctx context.Context) error {
	for more := true; more; {
		records, err := l.hub.loadSome(ctx, l.ref, l.fold.Seq, page)
		if err != nil {
			return err
		}
		if err := l.take(ctx, records); err != nil {
			return err
		}
		more = len(records) == page
	}
	return nil
}

// take folds and publishes entries that were read.
func (l *line) take(ctx context.Context, records []trail.Record) error {
	for _, r := range records {
		if err := fold(l.fold, r); err != nil {
			l.hub.cfg.Log.ErrorContext(ctx, "stream not usable", "stream", l.ref.String(), "error", err)
			l.endErr = fault.New(fault.InternalFault, "This "+string(l.ref.Kind)+" cannot be read. It was logged.").Because(err)
			return l.endErr
		}
		l.show(ctx, r)
	}
	return nil
}

// page is how many entries are read at once where they are used one after the other.
const page = 256

// loadSome reads at most limit entries after the given one, unless that is 0: then all.
func (h *Hub) loadSome(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	return h.loading(ctx, ref, func() ([]trail.Record, error) { return h.cfg.Store.Load(ctx, ref, after, limit) })
}

// loadFor is loadSome of what is given to the actor. The server itself is of no organisation.
func (h *Hub) loadFor(ctx context.Context, actor stream.Actor, ref stream.Ref, after uint64, limit int) ([]trail.Record, error) {
	if actor.Has(stream.System) {
		return h.loadSome(ctx, ref, after, limit)
	}
	return h.loading(ctx, ref, func() ([]trail.Record, error) { return h.cfg.Store.LoadFor(ctx, actor.Org, ref, after, limit) })
}

func (h *Hub) loading(ctx context.Context, ref stream.Ref, load func() ([]trail.Record, error)) ([]trail.Record, error) {
	select {
	case h.loads <- struct{}{}:
	case <-ctx.Done():
		return nil, unavailable(ctx.Err())
	}
	defer func() { <-h.loads }()
	records, err := load()
	if err != nil {
		return nil, unavailable(fmt.Errorf("load %s: %w", ref, err))
	}
	return records, nil
}
