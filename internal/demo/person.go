package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"readback/api/client"
)

// person is one signed-in member with one live connection. What the person knows of a stream is what arrived there.
type person struct {
	name    string
	member  string // id
	client  *client.Client
	live    *client.Live
	cut     *cutter
	follows map[client.Ref]*followed
}

type followed struct {
	*client.Following
	seen uint64 // number of the last entry taken
}

// made is the entry that a command made, as far as the people of the demo read it.
type made struct {
	Seq      uint64
	Type     string
	Repeated bool
	Decided  json.RawMessage
}

// signInAs signs a person in and opens the live connection.
func signInAs(ctx context.Context, url string, who signIn) (*person, error) {
	p := &person{name: who.Name, cut: &cutter{}, follows: map[client.Ref]*followed{}}
	c, err := client.New(client.Config{URL: url, Name: "readback-demo", Dial: p.cut.dial})
	if err != nil {
		return nil, err
	}
	p.client = c
	session, err := c.SignIn(ctx, who.Login, who.Password)
	if err != nil {
		return nil, fmt.Errorf("sign in %s: %w", who.Login, err)
	}
	p.member = session.Member
	if p.live, err = c.Connect(ctx); err != nil {
		return nil, fmt.Errorf("connect %s: %w", who.Login, err)
	}
	return p, nil
}

func (p *person) close() {
	p.live.Close()
	p.client.Close()
}

// follow begins to follow a stream.
func (p *person) follow(ref client.Ref) error {
	f, err := p.live.Follow(ref, 0)
	if err != nil {
		return err
	}
	p.follows[ref] = &followed{Following: f}
	return nil
}

// leave ends what the person follows of a story: one connection follows 64 streams at the most.
func (p *person) leave(refs ...client.Ref) {
	for _, ref := range refs {
		if f := p.follows[ref]; f != nil {
			f.Close()
		}
	}
}

// see waits until the entry has arrived and gives it.
func (p *person) see(ctx context.Context, ref client.Ref, seq uint64) (json.RawMessage, error) {
	f := p.follows[ref]
	for {
		e, err := f.Next(ctx)
		if err != nil {
			return nil, fmt.Errorf("%s waits for entry %d: %w", p.name, seq, err)
		}
		if e.Seq != f.seen+1 {
			return nil, fmt.Errorf("%s got entry %d after %d", p.name, e.Seq, f.seen)
		}
		if f.seen = e.Seq; f.seen == seq {
			return e.Body, nil
		}
	}
}

// do gives a command on what the person has seen and takes the entry it made.
func (p *person) do(ctx context.Context, ref client.Ref, typ string, data map[string]any) (made, error) {
	if data == nil {
		data = map[string]any{}
	}
	f := p.follows[ref]
	r, err := p.give(ctx, ref, client.Command{Base: f.seen, Type: typ, Data: data})
	if err != nil {
		return made{}, fmt.Errorf("%s: %s: %w", p.name, typ, err)
	}
	body, err := p.see(ctx, ref, r.Seq)
	if err != nil {
		return made{}, err
	}
	var e struct {
		Type    string          `json:"type"`
		Decided json.RawMessage `json:"decided"`
	}
	if err := json.Unmarshal(body, &e); err != nil {
		return made{}, fmt.Errorf("entry %d: %w", r.Seq, err)
	}
	return made{Seq: r.Seq, Type: e.Type, Repeated: r.Repeated, Decided: e.Decided}, nil
}

// give gives a command, more slowly where the server asks for that: people's hands are slower than the demo's.
func (p *person) give(ctx context.Context, ref client.Ref, cmd client.Command) (client.Receipt, error) {
	for {
		r, err := p.live.Do(ctx, ref, cmd)
		if !client.IsProblem(err, "too-many") {
			return r, err
		}
		select {
		case <-time.After(time.Second):
		case <-ctx.Done():
			return r, ctx.Err()
		}
	}
}

// open makes a stream by its first command, then follows it.
func (p *person) open(ctx context.Context, ref client.Ref, typ string, data map[string]any) (made, error) {
	if _, err := p.give(ctx, ref, client.Command{Type: typ, Data: data}); err != nil {
		return made{}, fmt.Errorf("%s: %s: %w", p.name, typ, err)
	}
	if err := p.follow(ref); err != nil {
		return made{}, err
	}
	body, err := p.see(ctx, ref, 1)
	if err != nil {
		return made{}, err
	}
	m := made{Seq: 1, Type: typ}
	var e struct {
		Decided json.RawMessage `json:"decided"`
	}
	err = json.Unmarshal(body, &e)
	m.Decided = e.Decided
	return m, err
}

// cutNext makes the connection break right after the next message has been written, before anything is read.
func (p *person) cutNext() { p.cut.arm() }

// cutter makes network connections that it can cut.
type cutter struct {
	mu    sync.Mutex
	armed bool
}

func (c *cutter) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, network, addr)
	if err != nil {
		return nil, err
	}
	return &cuttable{Conn: conn, by: c}, nil
}

func (c *cutter) arm() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.armed = true
}

func (c *cutter) take() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	was := c.armed
	c.armed = false
	return was
}

var errCut = errors.New("demo: the line was cut")

// cuttable is a connection whose answers are thrown away from the moment its line is cut.
type cuttable struct {
	net.Conn
	by  *cutter
	mu  sync.Mutex
	cut bool
}

// Write writes, and cuts the line behind the bytes if that was asked for: the half towards the server is closed in
// order, so that what was written arrives, and nothing is read any more.
func (c *cuttable) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	if err == nil && c.by.take() {
		c.mu.Lock()
		c.cut = true
		c.mu.Unlock()
		if tcp, ok := c.Conn.(*net.TCPConn); ok {
			tcp.CloseWrite()
		}
	}
	return n, err
}

// Read hides what arrives on a line that was cut.
func (c *cuttable) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut {
		return 0, errCut
	}
	return n, err
}
