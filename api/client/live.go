package client

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"
)

// mostCalls is how many commands of one Live wait for their answers at once; further ones wait to be sent.
const mostCalls = 32

// ErrClosed is what everything of a Live gives after Close.
var ErrClosed = errors.New("client: closed")

// Live is a connection to the live side of the server, made again whenever it breaks, until Close or until the server
// says that connecting again is of no use.
type Live struct {
	c      *Client
	ctx    context.Context // of the Live's own lifetime
	cancel context.CancelFunc
	done   chan struct{} // closed when everything has ended
	slots  chan struct{} // a token for each call

	mu      sync.Mutex // guards what follows
	err     error      // why it ended
	welcome Welcome    // the last one
	link    *link      // nil while there is no connection
	follows map[Ref]*Following
	calls   []*call // those that wait for their answers, in the order they were first sent

	followed uint64 // how often Follow made a Following
}

// call is one command on its way.
type call struct {
	id     string
	frame  []byte
	answer chan result // holds one
}

type result struct {
	receipt Receipt
	err     error
}

// Welcome is what the server said of the newest connection.
type Welcome struct {
	Connection string // its id, as the server's log has it
	Member     string
	Org        string
	Roles      []string
	Expires    time.Time // when the access token runs out; the connection goes on as long as its session
}

func welcomeOf(a answer) Welcome { return Welcome{a.Connection, a.Member, a.Org, a.Roles, a.Expires} }

// Connect opens a Live for the access token. ctx bounds the first connection only.
func (c *Client) Connect(ctx context.Context) (*Live, error) {
	k, err := c.dial(ctx)
	if err != nil {
		return nil, err
	}
	l := &Live{c: c, done: make(chan struct{}), slots: make(chan struct{}, mostCalls), follows: map[Ref]*Following{}}
	l.ctx, l.cancel = context.WithCancel(context.Background())
	l.welcome = welcomeOf(k.welcome)
	go l.run(k)
	return l, nil
}

// Close takes leave of the server and returns when everything has ended.
func (l *Live) Close() {
	l.cancel()
	<-l.done
}

// Welcome is what the server said of the newest connection.
func (l *Live) Welcome() Welcome {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.welcome
}

// Done is closed when the Live has ended, by Close or because the server said so for good. Err says which.
func (l *Live) Done() <-chan struct{} { return l.done }

// Err is why the Live has ended: ErrClosed, or a *Closed such as that of an access token that ran out. Sign in again,
// connect, and follow after the last entry; nothing is lost.
func (l *Live) Err() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}

// run keeps a connection until the end.
func (l *Live) run(k *link) {
	defer close(l.done)
	for failures := 0; ; {
		var err error
		if k == nil {
			k, err = l.c.dial(l.ctx)
		}
		if err == nil {
			failures = 0
			err = l.serve(k)
			k = nil
		}
		if l.ctx.Err() != nil {
			err = ErrClosed
		}
		if l.ctx.Err() != nil || final(err) && !l.c.renewable(err) {
			l.end(err)
			return
		}
		if l.c.cfg.Lost != nil {
			l.c.cfg.Lost(err)
		}
		failures++
		if wait(l.ctx, l.c.cfg.Pause(failures)) != nil {
			l.end(ErrClosed)
			return
		}
	}
}

func (l *Live) end(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.err = err
	for _, f := range l.follows {
		f.fail(err)
	}
	for _, c := range l.calls {
		c.answer <- result{err: fmt.Errorf("command %s: no answer yet: %w", c.id, err)}
	}
	l.follows, l.calls = nil, nil
}

// serve says again what has no answer yet and hands out what comes, until the connection ends.
func (l *Live) serve(k *link) error {
	dead := make(chan struct{})
	var writer sync.WaitGroup
	writer.Go(func() { k.speak(l.ctx, dead) })
	l.mu.Lock()
	l.link = k
	l.welcome = welcomeOf(k.welcome)
	for _, f := range slices.SortedFunc(maps.Values(l.follows), func(a, b *Following) int { return cmp.Compare(a.nth, b.nth) }) {
		f.begin(k, false) // the one that is too many, if any, is the last one
	}
	for _, c := range l.calls {
		k.say(c.frame)
	}
	l.mu.Unlock()

	err := l.listen(k)

	l.mu.Lock()
	l.link = nil
	l.mu.Unlock()
	close(dead)
	k.ws.Close()
	writer.Wait()
	return err
}

func (l *Live) listen(k *link) error {
	for {
		a, err := k.read()
		if err != nil {
			return err
		}
		k.alive()
		if err := l.hear(a); err != nil {
			return err
		}
	}
}

// hear hands out one message. Those it does not know are for later clients.
func (l *Live) hear(a answer) error {
	switch a.Say {
	case "accepted":
		l.answer(a.Command, result{receipt: Receipt{Seq: a.Seq, Hash: a.Hash, Type: a.Type, At: a.At, Repeated: a.Repeated}})
	case "refused":
		switch {
		case a.Problem == nil:
			return errors.New("a refusal without a problem")
		case a.Command != "":
			l.answer(a.Command, result{err: a.Problem})
		case a.Stream != nil:
			switch f := l.following(*a.Stream); {
			case f == nil:
			case a.N != nil:
				f.refuse(*a.N, a.Problem)
			default:
				f.refused(a.Problem)
			}
		}
	case "live":
		if a.Stream == nil || a.N == nil {
			return errors.New("a live value without a stream or a count")
		}
		if f := l.following(*a.Stream); f != nil {
			f.show(LiveValue{
				N: *a.N, Seq: a.Seq, At: a.At, Member: a.Member, Position: a.Position, Moved: a.Moved, Readings: a.Readings,
				Verdict: a.Verdict, Gone: a.Gone,
			})
		}
	case "entry", "caught-up", "presence", "ended":
		if a.Stream == nil {
			return fmt.Errorf("%s without a stream", a.Say)
		}
		if f := l.following(*a.Stream); f != nil {
			return f.hear(a)
		}
	}
	return nil
}

func (l *Live) following(ref Ref) *Following {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.follows[ref]
}

func (l *Live) answer(id string, r result) {
	if c := l.drop(func(c *call) bool { return c.id == id }); c != nil {
		c.answer <- r
	}
}

// drop takes the first call that fits out of those that wait.
func (l *Live) drop(which func(*call) bool) *call {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, c := range l.calls {
		if which(c) {
			l.calls = append(l.calls[:i:i], l.calls[i+1:]...)
			return c
		}
	}
	return nil
}

// Do gives a command and waits for its answer, for as long as ctx allows: over broken connections, and over answers that
// say "not now". A *Problem is a refusal: nothing was changed. After any other error it is not known whether the command
// was accepted; the same command with the same ID, given again at any time, gets the one answer.
func (l *Live) Do(ctx context.Context, ref Ref, cmd Command) (Receipt, error) {
	cmd, err := cmd.filled()
	if err != nil {
		return Receipt{}, err
	}
	frame, err := encode(commandMessage{"command", ref, cmd})
	if err != nil {
		return Receipt{}, fmt.Errorf("command %s: %w", cmd.Type, err)
	}
	select {
	case l.slots <- struct{}{}:
		defer func() { <-l.slots }()
	case <-ctx.Done():
		return Receipt{}, fmt.Errorf("command %s: not sent: %w", cmd.ID, ctx.Err())
	case <-l.done:
		return Receipt{}, l.Err()
	}
	for tries := 1; ; tries++ {
		r, err := l.try(ctx, &call{id: cmd.ID, frame: frame, answer: make(chan result, 1)})
		if !IsProblem(err, "not-ready") {
			return r, err
		}
		if wait(ctx, l.c.cfg.Pause(tries)) != nil {
			return r, err
		}
	}
}

func (l *Live) try(ctx context.Context, c *call) (Receipt, error) {
	l.mu.Lock()
	if l.err != nil {
		l.mu.Unlock()
		return Receipt{}, l.err
	}
	l.calls = append(l.calls, c)
	if l.link != nil {
		l.link.say(c.frame)
	}
	l.mu.Unlock()
	select {
	case r := <-c.answer:
		return r.receipt, r.err
	case <-ctx.Done():
		if l.drop(func(other *call) bool { return other == c }) == nil { // answered at this moment
			r := <-c.answer
			return r.receipt, r.err
		}
		return Receipt{}, fmt.Errorf("command %s: no answer yet: %w", c.id, ctx.Err())
	}
}
