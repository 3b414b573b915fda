// Package notify sends webhooks: it tells the addresses that an organisation's register names of the entries of that
// organisation's streams, signed as the Standard Webhooks specification, version 1.0.0, has it.
//
// What holds:
//   - An entry makes one delivery for each webhook that wants it, in the transaction that moves the cursor past the entry
//     (feed.go). Which webhooks there were, whose calibration it was then and in which phase is folded from the entries up to
//     that one, never looked up in what is true by now. So nothing is lost and nothing made twice, whoever dies when.
//   - A delivery is handed out under a lease and sent at least once: who dies between sending and noting it leaves a lease
//     that runs out. The webhook-id stays the same, so that a receiver can tell. Order is not promised.
//   - A receiver that hangs, drips, floods or lies about its address harms nobody: every request is bounded in time, nothing
//     of an answer but its status and a little of its head is read, addresses are checked when they are dialled, and a webhook that
//     fails is sent one delivery at a time, ever less often, from slots of its own. One organisation's webhooks have a quarter
//     of the slots together, so that those that answer slowly, however many, hold up nobody else's.
//   - Messages hold ids, numbers and words of the trade, nothing personal. Secrets are wrapped in the store and open only
//     while a request is signed.
//
// A Notifier owns all its goroutines: Close ends them.
package notify

import (
	"context"
	"crypto/x509"
	"log/slog"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Store is what a Notifier needs of the database. Each method is one transaction.
type Store interface {
	// Leaves gives entries in the order of all, from that number on.
	Leaves(ctx context.Context, from uint64, limit int) ([]Leaf, error)
	// Load gives a stream's entries after the number, in order.
	Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error)

	// Made says up to which number (exclusive) deliveries were made, and which webhooks there were then, the retired too.
	Made(ctx context.Context) (next uint64, hooks []Hook, err error)
	// Make writes deliveries and changed webhooks and moves the number, all or nothing; false: another was faster.
	Make(ctx context.Context, from, to uint64, changed []Hook, deliveries []Delivery) (bool, error)

	// Take hands out deliveries whose time has come: at most so many, of webhooks that are in trouble (one of each at a
	// time) or of those that are not (at most each at a time), and none of them again before the lease is over. An
	// organisation has at most ofOrg of them at a time, and organisations take turns.
	Take(ctx context.Context, troubled bool, most, each, ofOrg int, lease time.Duration) ([]Due, error)
	// Arrived and Failed note what became of a delivery, unless it was handed out again since.
	Arrived(ctx context.Context, d Due, status int) error
	Failed(ctx context.Context, d Due, f Failure) error
	// Sweep gives up what has waited longer than the time and removes what is over for longer.
	Sweep(ctx context.Context, waiting, done, dead time.Duration) error
}

// Leaf is one entry in the order of all.
type Leaf struct {
	Index uint64
	Entry stream.Ref
	Seq   uint64
}

// Hook is a webhook as its register says. Its id is its register's alone.
type Hook struct {
	Org, ID stream.ID
	URL     string
	Events  []string
	Active  bool
}

// Delivery is one message to one webhook.
type Delivery struct {
	ID           stream.ID // the webhook-id
	Org, Webhook stream.ID
	Index        uint64
	Event        string
	Body         []byte
}

// Due is a delivery that was handed out.
type Due struct {
	ID       stream.ID
	Webhook  stream.ID
	URL      string
	Body     []byte
	Attempts int // with this one
	Failures int // of the webhook in a row, before this one
	Secrets  []trail.WrappedKey
}

// Failure is what is noted of a delivery that did not arrive.
type Failure struct {
	Status int // 0: there was no answer
	Error  string
	Next   time.Duration // until the next try
	Hold   time.Duration // until the webhook is sent anything
	Dead   bool          // there is no next try
	Gone   bool          // the receiver wants nothing any more
}

// Config of a Notifier. Durations and counts that are zero have the values of defaults.
type Config struct {
	Store Store
	Keys  trail.WrappingKey // opens the secrets
	Rules map[stream.Kind]stream.Rules
	News  <-chan struct{} // there may be new entries; a hint
	Log   *slog.Logger

	Networks []netip.Prefix // networks that may be sent to although they are not public
	Roots    *x509.CertPool // nil: those of the machine

	Schedule []time.Duration // pauses after the first, second… try; after the last one it is given up
	Connect  time.Duration   // to make a connection
	Whole    time.Duration   // for a request and the head of its answer
	Lease    time.Duration
	Poll     time.Duration // how often it looks without being told
	Hold     time.Duration // pause of a webhook after its first failure in a row; doubled with each
	HoldMost time.Duration
	Slots    int // requests at a time
	Troubled int // of them, kept for webhooks in trouble
	Each     int // requests to one webhook at a time; to all of one organisation a quarter of the slots
}

// schedule is the one the Standard Webhooks specification gives as its example: ten tries over a little more than three
// days.
var schedule = []time.Duration{
	5 * time.Second, 5 * time.Minute, 30 * time.Minute, 2 * time.Hour, 5 * time.Hour, 10 * time.Hour, 14 * time.Hour,
	20 * time.Hour, 24 * time.Hour,
}

func (c Config) withDefaults() Config {
	if c.Schedule == nil {
		c.Schedule = schedule
	}
	for _, d := range []struct {
		set       *time.Duration
		otherwise time.Duration
	}{
		{&c.Connect, 5 * time.Second}, {&c.Whole, 15 * time.Second}, {&c.Lease, time.Minute}, {&c.Poll, time.Second},
		{&c.Hold, 2 * time.Second}, {&c.HoldMost, 5 * time.Minute},
	} {
		if *d.set == 0 {
			*d.set = d.otherwise
		}
	}
	for _, n := range []struct {
		set       *int
		otherwise int
	}{{&c.Slots, 32}, {&c.Troubled, 8}, {&c.Each, 4}} {
		if *n.set == 0 {
			*n.set = n.otherwise
		}
	}
	return c
}

// How long what is waiting is tried, and what is over is kept to be looked at.
const (
	givenUp  = 4 * 24 * time.Hour // longer than the schedule
	keepDone = 7 * 24 * time.Hour
	keepDead = 30 * 24 * time.Hour
	sweeping = 10 * time.Minute
)

// Notifier makes deliveries and sends them.
type Notifier struct {
	cfg    Config
	feed   *feed
	client *http.Client
	made   chan struct{} // holds one: deliveries were made, or a slot is free

	stopTaking context.CancelFunc
	abort      context.CancelFunc
	loops      sync.WaitGroup
	sending    sync.WaitGroup
}

// patience is how long Close waits for requests under way before it breaks them off.
const patience = 3 * time.Second

// Start starts a Notifier.
func Start(cfg Config) *Notifier {
	cfg = cfg.withDefaults()
	taking, stopTaking := context.WithCancel(context.Background())
	sending, abort := context.WithCancel(context.Background())
	n := &Notifier{
		cfg: cfg, feed: newFeed(cfg), client: newClient(cfg), made: make(chan struct{}, 1),
		stopTaking: stopTaking, abort: abort,
	}
	n.loops.Go(func() { n.makeAll(taking) })
	n.loops.Go(func() { n.sendAll(taking, sending) })
	n.loops.Go(func() { n.sweep(taking) })
	return n
}

// Close takes no more, waits a little for what is under way, and breaks off the rest: that is sent again later.
func (n *Notifier) Close() {
	n.stopTaking()
	n.loops.Wait()
	late := time.AfterFunc(patience, n.abort)
	n.sending.Wait()
	late.Stop()
	n.abort()
	n.client.CloseIdleConnections()
}

// makeAll makes deliveries whenever there are new entries.
func (n *Notifier) makeAll(ctx context.Context) {
	for {
		some, err := n.feed.make(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			n.cfg.Log.WarnContext(ctx, "making webhook deliveries was interrupted", slog.Any("cause", err))
		case some:
			n.wake()
			continue
		}
		select {
		case <-ctx.Done():
			return
		case <-n.cfg.News:
		case <-time.After(n.cfg.Poll):
		}
	}
}

func (n *Notifier) sweep(ctx context.Context) {
	for {
		if err := n.cfg.Store.Sweep(ctx, givenUp, keepDone, keepDead); err != nil && ctx.Err() == nil {
			n.cfg.Log.WarnContext(ctx, "clearing webhook deliveries away was interrupted", slog.Any("cause", err))
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(sweeping):
		}
	}
}

func (n *Notifier) wake() {
	select {
	case n.made <- struct{}{}:
	default:
	}
}
