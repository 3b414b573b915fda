package client

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"sync"
	"time"
)

// Shown says where a gateway's readings were shown.
type Shown struct {
	Calibration string    `json:"calibration"`
	Seq         uint64    `json:"seq"` // of the calibration's last entry when they were computed
	At          time.Time `json:"at"`
}

// ShowReadings shows what a bay's instruments read now with the token of an instrument gateway, in the calibration that is being
// placed in its bay. It sends them once: whoever goes on reading uses a Relay.
func (c *Client) ShowReadings(ctx context.Context, token string, r Reading) (s Shown, err error) {
	const path = "/v1/readings"
	body, err := json.Marshal(r)
	if err != nil {
		return s, fmt.Errorf("show readings: %w", err)
	}
	answer, err := c.sendAs(ctx, token, http.MethodPost, path, "application/json", bodyOf(body))
	if err != nil {
		return s, err
	}
	return s, read(answer, "POST "+path, &s)
}

// How a Relay sends.
const (
	relayEvery   = 100 * time.Millisecond // the server takes 10 a second of one gateway
	relayFresh   = time.Second            // older readings are not of now, and are dropped
	relayWaits   = 2 * time.Second        // for an answer; what arrives later would be shown as if it were of then
	relayRefused = 2 * time.Second        // until the newest are tried where those before were refused: nothing is being placed, perhaps
)

// Relay passes on what an instrument gateway reads, newest first: readings that come while others are on their way, or while the
// server cannot be reached, take each other's place. What was not answered is sent again as long as it is of now, after a pause
// that grows.
type Relay struct {
	c     *Client
	token string
	told  func(Shown, error)
	news  chan struct{} // holds one

	mu      sync.Mutex // guards what follows
	waiting *relayed
	ended   bool
	count   uint64
}

type relayed struct {
	Reading
	at time.Time
}

// NewRelay makes one with a gateway's token. told is told, by Run, what became of readings that were sent; it may be nil.
func (c *Client) NewRelay(token string, told func(Shown, error)) *Relay {
	if told == nil {
		told = func(Shown, error) {}
	}
	return &Relay{c: c, token: token, told: told, news: make(chan struct{}, 1)}
}

// Show gives the readings of now, in place of any that were not sent yet. It never waits. They are counted if they have no N.
func (r *Relay) Show(now Reading) {
	r.mu.Lock()
	r.count++
	if now.N == 0 {
		now.N = r.count
	}
	r.waiting = &relayed{now, time.Now()}
	r.mu.Unlock()
	r.tell()
}

// End says that no more readings come.
func (r *Relay) End() {
	r.mu.Lock()
	r.ended = true
	r.mu.Unlock()
	r.tell()
}

func (r *Relay) tell() {
	select {
	case r.news <- struct{}{}:
	default:
	}
}

// Run sends until ctx ends, until the token is refused, which nothing but another one mends, or until the last readings before
// End have been answered or are of now no longer. What was in the way of the last ones that were sent is the error.
func (r *Relay) Run(ctx context.Context) error {
	var last error
	failures := 0
	for {
		next, ok := r.take(ctx)
		if !ok {
			return last
		}
		sent := time.Now()
		shown, err := r.send(ctx, next.Reading)
		if ctx.Err() != nil {
			return last
		}
		r.told(shown, err)
		last = err
		pause := relayEvery - time.Since(sent)
		switch {
		case err == nil:
			failures = 0
		case IsProblem(err, "sign-in-needed"):
			return err
		case final(err):
			failures, pause = 0, relayRefused
		default:
			failures++
			pause = max(pause, r.c.cfg.Pause(failures))
			r.giveBack(next)
		}
		if wait(ctx, pause) != nil {
			return last
		}
	}
}

func (r *Relay) send(ctx context.Context, now Reading) (Shown, error) {
	ctx, stop := context.WithTimeout(ctx, relayWaits)
	defer stop()
	return r.c.ShowReadings(ctx, r.token, now)
}

// take waits for the newest readings; false if none come any more.
func (r *Relay) take(ctx context.Context) (relayed, bool) {
	for {
		r.mu.Lock()
		got, ended := r.waiting, r.ended
		r.waiting = nil
		r.mu.Unlock()
		switch {
		case got != nil && time.Since(got.at) < relayFresh:
			return *got, true
		case ended:
			return relayed{}, false
		}
		select {
		case <-r.news:
		case <-ctx.Done():
			return relayed{}, false
		}
	}
}

// giveBack has readings wait again, unless newer ones have come.
func (r *Relay) giveBack(unsent relayed) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.waiting == nil {
		r.waiting = &unsent
		r.tell()
	}
}
