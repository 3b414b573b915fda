package app

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"readback/internal/calibration"
	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/postgres"
	"readback/internal/stream"
)

// leases keep claims as long as their specialists are heard of: by an open connection or by any request, on whatever
// node. Each node writes whom it heard of, all in one statement per interval; and any node lets a claim lapse whose
// specialist none heard of for too long. The clock is the database's.
//
// That nothing was heard counts only from when nodes could write it: after the start of a node, after it could not reach
// the database, and after a gap in which no node wrote, everybody has the whole time again. A claim may so stand longer
// than the setting says, and never shorter.
type leases struct {
	db    *postgres.DB
	log   *slog.Logger
	lasts time.Duration // READBACK_LEASE_LASTS
	every time.Duration // the interval

	mu        sync.Mutex                 // guards what follows
	connected func() []stream.Person     // who has a connection here; nil before there can be any
	asked     map[stream.Person]struct{} // who asked something by HTTP in this interval
}

// An interval is 15 s, or shorter where claims lapse soon: a dozen of them make a lease.
const (
	longestInterval   = 15 * time.Second
	intervalsOfALease = 12
	// mostGap is how many intervals may pass without any node's writing before everybody begins anew.
	mostGap = 4
	// silentFor is how many intervals without a sign are told as silence: one may pass between a sign and its being written.
	silentFor = 2
)

func newLeases(db *postgres.DB, lasts time.Duration, log *slog.Logger) *leases {
	lasts = orDefault(lasts, config.DefaultLeaseLasts)
	return &leases{
		db: db, log: log, lasts: lasts, every: min(longestInterval, lasts/intervalsOfALease), asked: map[stream.Person]struct{}{},
	}
}

// heard notes that somebody asked something.
func (l *leases) heard(p stream.Person) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked[p] = struct{}{}
}

// connect says where to ask who has a connection.
func (l *leases) connect(connected func() []stream.Person) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.connected = connected
}

// here are those heard of in this interval.
func (l *leases) here() map[stream.Person]struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	here := map[stream.Person]struct{}{}
	for p := range l.asked {
		here[p] = struct{}{}
	}
	if l.connected != nil {
		for _, p := range l.connected() {
			here[p] = struct{}{}
		}
	}
	return here
}

// keep works until ctx ends.
func (l *leases) keep(ctx context.Context, hub *live.Hub) {
	tick := time.NewTicker(l.every)
	defer tick.Stop()
	var wrote time.Time // zero: this node cannot vouch for the time before
	for {
		anew := time.Since(wrote) > mostGap*l.every
		err := l.write(ctx, anew)
		if err == nil {
			wrote = time.Now()
			err = l.tell(ctx, hub)
		}
		if err == nil {
			err = l.lapse(ctx, hub)
		}
		if err != nil && ctx.Err() == nil {
			l.log.WarnContext(ctx, "claims are not looked after for now", slog.Any("cause", err))
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// write writes whom this node heard of. Who asked something is forgotten only once that is written.
func (l *leases) write(ctx context.Context, anew bool) error {
	ctx, cancel := context.WithTimeout(ctx, max(l.every, time.Second))
	defer cancel()
	l.mu.Lock()
	asked := l.asked
	l.asked = map[stream.Person]struct{}{}
	l.mu.Unlock()
	here := l.here()
	maps.Copy(here, asked)
	err := l.db.Hear(ctx, slices.Collect(maps.Keys(here)), anew, mostGap*l.every)
	if err != nil {
		l.mu.Lock()
		maps.Copy(l.asked, asked)
		l.mu.Unlock()
	}
	return err
}

// tell lets those who take part in a calibration know how long nothing was heard of its specialist.
func (l *leases) tell(ctx context.Context, hub *live.Hub) error {
	silent, err := l.db.Silent(ctx, silentFor*l.every)
	if err == nil {
		hub.Silent(stream.Calibration, silent)
	}
	return err
}

// lapse lets claims lapse whose time is over. One interval is added, for a sign may be that old before it is written. A
// claim that is another one by now, or whose leg runs, is refused by the rules and looked at again.
func (l *leases) lapse(ctx context.Context, hub *live.Hub) error {
	due, err := l.db.TakeLapsing(ctx, l.lasts+l.every, 2*l.every)
	if err != nil {
		return err
	}
	for _, d := range due {
		if _, back := l.here()[d.Specialist]; back {
			continue // and written with the next interval
		}
		data, err := json.Marshal(map[string]int64{"unheard_s": int64(d.Unheard / time.Second)})
		if err != nil {
			return err
		}
		_, err = hub.Do(ctx, system(d.Shop), stream.Ref{Kind: stream.Calibration, ID: d.Stream}, stream.Command{
			ID: stream.NewID(), Base: d.Seq, Type: "lapse", Data: data,
		})
		if err == nil {
			l.log.InfoContext(ctx, "claim lapsed", slog.String("calibration", d.Stream.String()), slog.Duration("unheard", d.Unheard.Round(time.Second)))
		} else if kind := fault.Of(err).Kind(); kind == fault.Internal || kind == fault.Unavailable {
			return fmt.Errorf("let the claim of calibration %s lapse: %w", d.Stream, err)
		}
	}
	return nil
}

// Unheard is how long nothing was heard of the specialist who holds the claim; false while they are heard of, and if it is
// not known.
func (l *leases) Unheard(ctx context.Context, id stream.ID, claim calibration.Claim) (time.Duration, bool, error) {
	if _, here := l.here()[claim.Person()]; here {
		return 0, false, nil
	}
	unheard, known, err := l.db.Unheard(ctx, id, claim.Person())
	return unheard, known && unheard >= silentFor*l.every, err
}

// unheard is what the server adds to a colleague's take-over. A look that fails says nothing.
func (a *App) unheard(ctx context.Context, state stream.State, _ json.RawMessage) (string, any) {
	cal := state.(*calibration.State)
	claim, ok := cal.Claim()
	if !ok {
		return "", nil
	}
	unheard, silent, err := a.leases.Unheard(ctx, cal.ID(), claim)
	if err != nil {
		a.log.WarnContext(ctx, "not known how long a specialist was not heard of", slog.Any("cause", err))
	}
	if err != nil || !silent {
		return "", nil
	}
	return "unheard_s", int64(unheard / time.Second)
}
