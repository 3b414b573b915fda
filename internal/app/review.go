package app

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wsconn"
)

// reviewAgain is how soon a review is tried again that the database did not let through.
const reviewAgain = time.Second

// reviews gathers the organisations whose registers have changed, so that retired members lose their sessions and
// sockets: the register says who is a member, and sessions follow it. One goroutine, run, works them off.
type reviews struct {
	wake chan struct{} // holds one

	mu      sync.Mutex
	waiting map[stream.ID]struct{} // guarded by mu
}

func newReviews() *reviews {
	return &reviews{wake: make(chan struct{}, 1), waiting: map[stream.ID]struct{}{}}
}

// changed notes that an organisation's register has changed. It never blocks.
func (r *reviews) changed(org stream.ID) {
	r.mu.Lock()
	r.waiting[org] = struct{}{}
	r.mu.Unlock()
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func (r *reviews) take() []stream.ID {
	r.mu.Lock()
	defer r.mu.Unlock()
	var all []stream.ID
	for org := range r.waiting {
		all = append(all, org)
	}
	clear(r.waiting)
	return all
}

// review works off what is gathered until ctx ends.
func (a *App) review(ctx context.Context, sockets *wsconn.Server) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-a.reviews.wake:
		}
		for _, org := range a.reviews.take() {
			err := a.reviewOne(ctx, sockets, org)
			if err == nil || ctx.Err() != nil {
				continue
			}
			a.log.WarnContext(ctx, "sessions of retired members are not ended yet", slog.String("org", org.String()), slog.Any("cause", err))
			time.AfterFunc(reviewAgain, func() { a.reviews.changed(org) })
		}
	}
}

func (a *App) reviewOne(ctx context.Context, sockets *wsconn.Server, org stream.ID) error {
	for _, member := range sockets.Members(org) {
		if err := a.member(ctx, org, member); fault.Is(err, fault.SignInNeeded) {
			sockets.CloseMember(stream.Person{Org: org, Member: member})
		} else if err != nil {
			return err
		}
	}
	return a.sessions.Review(ctx, org)
}

// forgetEvery is how often sessions, invitations and announcements are deleted that have been over for long, and photos that
// no entry named within photosLast.
const (
	forgetEvery = time.Hour
	photosLast  = 24 * time.Hour
)

// forget deletes them now and then until ctx ends.
func (a *App) forget(ctx context.Context) {
	tick := time.NewTicker(forgetEvery)
	defer tick.Stop()
	for {
		if err := errors.Join(a.db.ForgetSessions(ctx), a.db.ForgetInvitations(ctx), a.db.SweepPhotos(ctx, photosLast), a.db.ForgetAnnouncements(ctx)); err != nil && ctx.Err() == nil {
			a.log.WarnContext(ctx, "old sessions, invitations, announcements and unnamed photos are not deleted yet", slog.Any("cause", err))
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
