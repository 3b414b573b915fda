package faults

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/api/client"
)

// Ids of testdata/import/shop.json, as far as commands name them.
const (
	shop       = "01940000-0000-7000-8000-0000000000a0"
	bay        = "01940000-0000-7000-8000-0000000000b1"
	laser      = "01940000-0000-7000-8000-0000000000c1"
	tape       = "01940000-0000-7000-8000-0000000000c2"
	rule       = "01940000-0000-7000-8000-0000000000c3"
	level      = "01940000-0000-7000-8000-0000000000c6"
	dimensions = "01940000-0000-7000-8000-0000000000e1"
	fixture    = "01940000-0000-7000-8000-0000000000f1"
)

// talks is how many notes each of the two says beside the work.
const talks = 8

// leastCommands is how many commands a script of one car has, at the least.
const leastCommands = 60

var register = client.Ref{Kind: "register", ID: shop}

// crew is who works: one technician and one specialist for each car, since a specialist runs one routine at a time, and
// the shop's owner.
type crew struct {
	ledger *ledger
	owner  *client.Client
	techs  []*client.Client
	specs  []*client.Client
}

func (p *place) crew(ctx context.Context, tap *tap) *crew {
	p.t.Helper()
	c := &crew{ledger: tap.ledger, owner: p.client(ctx, "owner@shop.json", tap)}
	for _, who := range []string{"first@", "second@"} {
		c.techs = append(c.techs, p.client(ctx, who+"shop.json", tap))
		c.specs = append(c.specs, p.client(ctx, who+"desk.json", tap))
	}
	tap.ledger.before[register] = uint64(len(readAll(ctx, p.t, c.owner, register)))
	return c
}

// work calibrates two cars side by side while the owner adds bays, and gives the streams with who may read them. When all
// is done the first technician talks on for as long as owed says: the last blow may fall on the last commands.
func (c *crew) work(ctx context.Context, t *testing.T, owed func() bool) (streams map[client.Ref]*client.Client) {
	t.Helper()
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	streams = map[client.Ref]*client.Client{register: c.owner}
	cars := make([]*car, len(c.techs))
	for i := range cars { // all connected before anything is killed: a first connection is not tried again
		a := &car{job: client.Ref{Kind: "job", ID: client.NewID()}, cal: client.Ref{Kind: "calibration", ID: client.NewID()}}
		cars[i], streams[a.job], streams[a.cal] = a, c.techs[i], c.techs[i]
		var err error
		a.tech.live, err = c.techs[i].Connect(ctx)
		require.NoError(t, err)
		defer a.tech.live.Close()
		a.spec.live, err = c.specs[i].Connect(ctx)
		require.NoError(t, err)
		defer a.spec.live.Close()
	}
	var all sync.WaitGroup
	for i, a := range cars {
		all.Go(func() {
			if err := a.calibrate(ctx); err != nil {
				cancel(fmt.Errorf("car %d: %w", i+1, err))
			}
		})
	}
	all.Go(func() {
		if err := c.addBays(ctx); err != nil {
			cancel(err)
		}
	})
	all.Wait()
	require.NoError(t, context.Cause(ctx))
	for a := cars[0]; owed(); {
		require.NoError(t, a.talk(ctx, &a.tech, a.job))
	}
	return streams
}

// addBays gives commands by HTTP, where sending again is the caller's.
func (c *crew) addBays(ctx context.Context) error {
	for range talks {
		id := client.NewID()
		cmd := client.Command{ID: client.NewID(), Base: 1, Type: "add-bay", Data: map[string]any{"id": id, "name": "Bay " + id}}
		raw, err := json.Marshal(cmd)
		if err != nil {
			return err
		}
		for {
			c.ledger.sending(register, cmd.ID, raw)
			r, err := c.owner.Command(ctx, register, cmd)
			if err == nil {
				c.ledger.accepted(register, cmd.ID, r.Seq, r.Hash, r.Repeated)
				break
			}
			var p *client.Problem
			if errors.As(err, &p) && p.Status != http.StatusServiceUnavailable {
				return fmt.Errorf("add a bay by HTTP: %w", err)
			}
			select {
			case <-ctx.Done():
				return context.Cause(ctx)
			case <-time.After(10 * time.Millisecond):
			}
		}
	}
	return nil
}

// car is one car's job and calibration, played by two people who wait for each other.
type car struct {
	job, cal   client.Ref
	tech, spec person
	last       map[client.Ref]uint64 // number of the newest entry of the work
	measure    []map[string]any      // what is read at a position
	plan       []position            // what that should read, computed by the server
}

type position struct {
	Name      string `json:"name"`
	LateralUM int64  `json:"lateral_um"`
	Readings  []struct {
		UM   *int64 `json:"expected_um"`
		Udeg *int64 `json:"expected_udeg"`
	} `json:"readings"`
}

// person is one live connection, with a following for each stream.
type person struct {
	live    *client.Live
	follows map[client.Ref]*client.Following
	seen    map[client.Ref]uint64
}

// follow begins to follow.
func (p *person) follow(ref client.Ref) error {
	f, err := p.live.Follow(ref, 0)
	if err != nil {
		return err
	}
	if p.follows == nil {
		p.follows, p.seen = map[client.Ref]*client.Following{}, map[client.Ref]uint64{}
	}
	p.follows[ref] = f
	return nil
}

// see takes entries until the one of that number, and gives what it decided.
func (p *person) see(ctx context.Context, ref client.Ref, seq uint64) (json.RawMessage, error) {
	for {
		e, err := p.follows[ref].Next(ctx)
		if err != nil {
			return nil, fmt.Errorf("wait for entry %d of %s: %w", seq, ref, err)
		}
		if e.Seq != p.seen[ref]+1 {
			return nil, fmt.Errorf("entry %d of %s came after %d", e.Seq, ref, p.seen[ref])
		}
		if p.seen[ref] = e.Seq; e.Seq != seq {
			continue
		}
		var body struct {
			Decided json.RawMessage `json:"decided"`
		}
		err = json.Unmarshal(e.Body, &body)
		return body.Decided, err
	}
}

// do gives a command of the work and waits until all who follow have its entry.
func (a *car) do(ctx context.Context, who *person, ref client.Ref, typ string, data any) (json.RawMessage, error) {
	r, err := who.live.Do(ctx, ref, client.Command{Base: a.last[ref], Type: typ, Data: data})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", typ, err)
	}
	if a.last[ref] == 0 { // it is there now
		if err := who.follow(ref); err != nil {
			return nil, err
		}
	}
	a.last[ref] = r.Seq
	var decided json.RawMessage
	for _, p := range []*person{&a.tech, &a.spec} {
		if p.follows[ref] != nil {
			if decided, err = p.see(ctx, ref, r.Seq); err != nil {
				return nil, fmt.Errorf("%s: %w", typ, err)
			}
		}
	}
	return decided, nil
}

type step struct {
	who  *person
	ref  client.Ref
	typ  string
	data any
}

func (a *car) all(ctx context.Context, steps ...step) error {
	for _, s := range steps {
		if _, err := a.do(ctx, s.who, s.ref, s.typ, s.data); err != nil {
			return err
		}
	}
	return nil
}

func (a *car) calibrate(ctx context.Context) error {
	a.last = map[client.Ref]uint64{}
	if err := a.prepare(ctx); err != nil {
		return err
	}
	if err := a.spec.follow(a.cal); err != nil {
		return err
	}
	if _, err := a.spec.see(ctx, a.cal, a.last[a.cal]); err != nil {
		return err
	}
	if err := a.all(ctx, step{&a.spec, a.cal, "claim", nil}, step{&a.spec, a.cal, "adopt-sheet", map[string]any{"sheet": 1}}); err != nil {
		return err
	}
	talked := make(chan error, 2)
	go func() { talked <- a.talk(ctx, &a.tech, a.job) }()
	go func() { talked <- a.talk(ctx, &a.spec, a.cal) }()
	err := a.legs(ctx)
	err = errors.Join(err, <-talked, <-talked)
	if err != nil {
		return err
	}
	return a.all(ctx,
		step{&a.tech, a.job, "record-scan", map[string]any{"when": "after", "source": "typed", "codes": []any{}}},
		step{&a.spec, a.cal, "declare", map[string]any{"outcome": "completed"}},
		step{&a.tech, a.cal, "sign", nil}, step{&a.spec, a.cal, "sign", nil}, step{&a.tech, a.cal, "close", nil})
}

// talk says notes, which nothing waits for.
func (a *car) talk(ctx context.Context, who *person, ref client.Ref) error {
	for i := range talks {
		cmd := client.Command{Base: 1, Type: "note", Data: map[string]any{"text": fmt.Sprintf("Note %d (invented)", i)}}
		if _, err := who.live.Do(ctx, ref, cmd); err != nil {
			return fmt.Errorf("note: %w", err)
		}
	}
	return nil
}

// prepare goes from the car on the floor to the request for guidance.
func (a *car) prepare(ctx context.Context) error {
	if err := a.all(ctx,
		step{&a.tech, a.job, "open-job", map[string]any{
			"vin": "ZZZDEM0A4CR000017", "plate": "DEMO 1", "mileage_km": 48210, "steering": "left",
			"dimensions": dimensions, "causes": []string{"glass"}, "customer_told": true,
			"sensors": map[string]any{"affected": []string{"front-camera"}, "not_affected": []string{}, "none_fitted": false},
		}},
		step{&a.tech, a.job, "attach-alignment", map[string]any{
			"when": "after", "steering_zero_done": true,
			"wheels": map[string]any{"rear_left": map[string]any{"toe_udeg": 200_000}, "rear_right": map[string]any{"toe_udeg": -100_000}},
		}},
		step{&a.tech, a.job, "record-scan", map[string]any{"when": "before", "source": "typed", "codes": []any{}}},
	); err != nil {
		return err
	}
	decided, err := a.do(ctx, &a.tech, a.cal, "open", map[string]any{"job": a.job.ID, "sensor": "front-camera"})
	if err != nil {
		return err
	}
	var opened struct {
		Gates []struct {
			Gate string `json:"gate"`
		} `json:"gates"`
	}
	if err := json.Unmarshal(decided, &opened); err != nil {
		return err
	}
	for _, g := range opened.Gates {
		data := map[string]any{"gate": g.Gate, "met": true, "evidence": "declared"}
		if _, err := a.do(ctx, &a.tech, a.cal, "record-gate", data); err != nil {
			return err
		}
	}
	a.measure = readings()
	decided, err = a.do(ctx, &a.tech, a.cal, "issue-sheet", map[string]any{
		"setup": setup(), "fixture": fixture, "dimensions": dimensions, "bay": bay,
		"source": map[string]any{"title": "Invented service information", "dated": "2026-03-01", "version": "4"},
		"limits": "stated", "measure": a.measure,
	})
	if err != nil {
		return err
	}
	var sheet struct {
		Plan []position `json:"plan"`
	}
	if err := json.Unmarshal(decided, &sheet); err != nil {
		return err
	}
	a.plan = sheet.Plan
	return a.all(ctx, step{&a.tech, a.cal, "request", nil})
}

// legs goes through all positions. Its instruments are perfect: they read what the sheet says they should.
func (a *car) legs(ctx context.Context) error {
	for i, at := range a.plan {
		order, back := map[string]any{"step": "fit-target"}, map[string]any{"step": i + 1, "target": "T-CAM-07"}
		if i > 0 {
			order = map[string]any{"step": "go-to-position", "position": at.Name}
			back = map[string]any{"step": i + 1, "position": at.Name, "value_um": max(at.LateralUM, -at.LateralUM), "side": side(at.LateralUM)}
		}
		number := map[string]any{"step": i + 1}
		if err := a.all(ctx,
			step{&a.spec, a.cal, "instruct", order}, step{&a.tech, a.cal, "read-back", back},
			step{&a.spec, a.cal, "confirm", number}, step{&a.tech, a.cal, "done", number},
			step{&a.tech, a.cal, "report-readings", map[string]any{"moved": true, "readings": a.read(at, len(a.measure))}},
			step{&a.tech, a.cal, "lock", nil}, step{&a.tech, a.cal, "freeze", nil},
			step{&a.tech, a.cal, "report-closing", map[string]any{"readings": a.read(at, closing)}},
			step{&a.tech, a.cal, "bay-clear", nil}, step{&a.spec, a.cal, "go", nil},
			step{&a.spec, a.cal, "end-leg", map[string]any{"outcome": "completed"}},
		); err != nil {
			return fmt.Errorf("position %s: %w", at.Name, err)
		}
	}
	return nil
}

func side(lateralUM int64) string {
	if lateralUM < 0 {
		return "right"
	}
	return "left"
}

// closing is how many of the readings, from the first, are taken again when the set-up is frozen.
const closing = 5

// read gives the first n readings as they should be.
func (a *car) read(at position, n int) []map[string]any {
	var out []map[string]any
	for i, planned := range a.measure[:n] {
		r := map[string]any{}
		for k, v := range planned {
			r[k] = v
		}
		if want := at.Readings[i]; want.UM != nil {
			r["value_um"] = *want.UM
		} else {
			r["value_udeg"] = *want.Udeg
		}
		out = append(out, r)
	}
	return out
}
