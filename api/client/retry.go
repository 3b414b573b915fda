package client

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/gorilla/websocket"
)

// Closed says that the server closed the connection. It wraps the *Problem that the server gave before, if any.
type Closed struct {
	Code    int
	Reason  string
	problem *Problem
}

func (c *Closed) Error() string {
	if c.problem != nil {
		return fmt.Sprintf("connection closed: %d %s (%s)", c.Code, c.Reason, c.problem)
	}
	return fmt.Sprintf("connection closed: %d %s", c.Code, c.Reason)
}

// Unwrap gives the problem.
func (c *Closed) Unwrap() error {
	if c.problem == nil {
		return nil
	}
	return c.problem
}

// final reports whether connecting again by itself would be of no use: the rule of the protocol's close codes, and
// refusals of the handshake other than "not now".
func final(err error) bool {
	var closed *Closed
	if errors.As(err, &closed) {
		switch closed.Code {
		case websocket.CloseNormalClosure, websocket.CloseProtocolError, websocket.CloseUnsupportedData, websocket.CloseMessageTooBig:
			return true
		}
		return closed.Code >= 4100 && closed.Code <= 4199
	}
	var p *Problem
	if errors.As(err, &p) {
		return p.Status < 500 && p.Status != 429
	}
	return false
}

// pause doubles from 0.2 s to 10 s, and takes a random half to whole of that.
func pause(failures int) time.Duration {
	const shortest, longest = 200 * time.Millisecond, 10 * time.Second
	d := longest
	if failures < 7 {
		d = min(longest, shortest<<max(0, failures-1))
	}
	return d/2 + rand.N(d/2)
}

// wait waits, or gives the reason why ctx ended first.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
