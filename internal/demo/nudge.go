package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"time"

	"readback/api/client"
)

const (
	nudges     = 6                      // steps in which a set of moves is done
	nudgeEvery = 100 * time.Millisecond // the instruments' pace
	nudgeWait  = 10 * time.Second       // for one live value to arrive
)

// nudge does the moves of a verdict little by little, while the instruments show at each step what they read and both
// people see what it comes to. Nothing of it is reported: what counts is measured when the board stands still.
func (s *story) nudge(ctx context.Context, todo []move) error {
	going := *s.rig
	going.noise = rand.New(rand.NewPCG(s.seed, 0x6e75646765)) // what is shown leaves what is reported as it is
	before := s.tech.follows[s.cal].seen
	var seen []string
	tick := time.NewTicker(nudgeEvery)
	defer tick.Stop()
	for n := uint64(1); n <= nudges; n++ {
		for _, m := range todo {
			m.ByUM, m.ByUdeg = m.ByUM/nudges, m.ByUdeg/nudges
			going.do(m)
		}
		var readings []map[string]any
		for _, a := range asks() {
			readings = append(readings, s.data(a, going.read(a)))
		}
		if !s.tech.live.SendLive(s.cal, client.Reading{N: n, Moved: true, Readings: readings}) {
			return fmt.Errorf("%s has no line for live readings", s.tech.name)
		}
		for _, who := range []*person{s.tech, s.spec} {
			v, err := who.shown(ctx, s.cal, n)
			if err != nil {
				return err
			}
			if who == s.spec {
				seen = append(seen, v.Verdict)
			}
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if after := s.tech.follows[s.cal].seen; after != before {
		return fmt.Errorf("live readings made entries: %d, then %d", before, after)
	}
	s.say("bay", "nudges the board; live meanwhile: %s; seen by both, none stored", counted(seen))
	return nil
}

// shown waits for the live value of that count.
func (p *person) shown(ctx context.Context, ref client.Ref, n uint64) (v verdict, err error) {
	ctx, cancel := context.WithTimeout(ctx, nudgeWait)
	defer cancel()
	f := p.follows[ref]
	for {
		changed := f.Changed()
		if got, ok := f.Live(); ok && got.N == n {
			err := json.Unmarshal(got.Verdict, &v)
			return v, err
		}
		if refused, why := f.Refused(); why != nil && refused == n {
			return v, fmt.Errorf("%s: live readings: %w", p.name, why)
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return v, fmt.Errorf("%s waits for live value %d: %w", p.name, n, ctx.Err())
		}
	}
}
