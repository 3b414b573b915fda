// Package demo plays a story in an invented world, the main job or a second one: it starts the program's own server with a
// private cluster in a temporary state directory, drives it through its published interfaces only, and removes both. Its
// people act on what the server answers them. Their readings come from a simulated board seen through the instruments'
// noise, drawn from the seed: another seed gives other readings and the same story. No reading, verdict or move is written
// down anywhere here.
package demo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"

	"readback/api/client"
)

// The stories.
const (
	First  = "first"  // the main job: one calibration, completed
	Second = "second" // a caution waived, a hand-over between specialists, a calibration that is not completed
)

// Stories lists the names of the stories.
func Stories() []string { return []string{First, Second} }

// Options of a demo.
type Options struct {
	Exe   string // the program
	Story string // one of Stories
	Seed  uint64
	Out   io.Writer // the tale
	Dir   string    // where bundle.zip and bundle-changed.zip go
}

// Outcome is what a demo came to.
type Outcome struct {
	Entries int // of the calibration and its job
	Extra   int // rounds of measuring beyond the story's own
	Lines   int // of the tale
}

// Play plays the story once.
func Play(ctx context.Context, o Options) (out Outcome, err error) {
	t := &tale{out: o.Out}
	dir, err := os.MkdirTemp("", "readback-demo-")
	if err != nil {
		return out, err
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o711); err != nil { // the database's account passes through it
		return out, err
	}
	tell, c := (*story).tell, theFirst()
	switch o.Story {
	case First:
	case Second:
		tell, c = (*story).tellSecond, theSecond()
	default:
		return out, fmt.Errorf("there is no story %q: it is one of %s", o.Story, strings.Join(Stories(), ", "))
	}
	p, err := begin(ctx, o.Exe, dir, c)
	if err != nil {
		return out, err
	}
	defer p.end(&err)
	return tell(p.story(t, o.Seed), ctx, o.Dir)
}

// tell plays the story and proves its trail, with the bundles in dir.
func (s *story) tell(ctx context.Context, dir string) (Outcome, error) {
	s.plain("Everything here is invented: shop, desk, car and people. Seed %d.", s.seed)
	if err := s.play(ctx); err != nil {
		return Outcome{}, fmt.Errorf("%w (server: %s)", err, s.server.said())
	}
	err := s.prove(ctx, dir)
	return s.outcome(), err
}

func (s *story) outcome() Outcome {
	entries := int(s.tech.follows[s.cal].seen + s.tech.follows[s.job].seen)
	return Outcome{Entries: entries, Extra: s.extra, Lines: s.lines}
}

// players are the server with the invented world in it, and the people signed in there.
type players struct {
	server *server
	world  world
	people map[string]*person // by their part
}

// begin starts the server in dir, sets the world up and signs its people in.
func begin(ctx context.Context, exe, dir string, c cast) (p *players, err error) {
	p = &players{world: newWorld(c), people: map[string]*person{}}
	if p.server, err = newServer(exe, dir); err != nil {
		return nil, err
	}
	files, err := p.world.write(dir)
	if err != nil {
		return nil, err
	}
	init := []string{"init"}
	for _, f := range files {
		init = append(init, "--import", f)
	}
	if _, err := p.server.run(ctx, init...); err != nil {
		return nil, err
	}
	if err := p.server.start(ctx); err != nil {
		return nil, err
	}
	for _, part := range c.people {
		if part.role == "owner" {
			continue
		}
		if p.people[part.as], err = signInAs(ctx, p.server.url(), part.signIn); err != nil {
			p.end(&err)
			return nil, err
		}
	}
	return p, nil
}

// story is one car that comes in.
func (p *players) story(t *tale, seed uint64) *story {
	return &story{
		tale: t, players: p, seed: seed, shown: map[string]float64{}, rig: newRig(p.world.model, seed),
		tech: p.people["technician"], spec: p.people["specialist"],
		cal: client.Ref{Kind: "calibration", ID: newID()}, job: client.Ref{Kind: "job", ID: newID()},
	}
}

func newRig(m model, seed uint64) *rig {
	c := car{
		wheelbase: m.wheelbase, frontTrack: m.frontTrack, rearTrack: m.rearTrack, frontOverhang: m.frontOverhang,
		hubFront: m.hubHeight, hubRear: m.hubHeight, thrust: m.thrust() * degree,
	}
	r := &rig{car: c, datum: vec{m.wheelbase + m.frontOverhang, 0, m.datumHigh}, noise: rand.New(rand.NewPCG(seed, 0x7265616462))}
	r.floor = floorOf(c, m.wheelsMM, m.fixtureMM)
	r.board.halfWidth = m.halfWidth
	return r
}

// end takes leave of the people and stops the server.
func (p *players) end(err *error) {
	for _, who := range p.people {
		if who != nil {
			who.close()
		}
	}
	*err = errors.Join(*err, p.server.stop())
	p.server.log.Close()
}

// prove fetches the bundle, changes a byte of a copy, and lets verify speak about both.
func (s *story) prove(ctx context.Context, dir string) error {
	if err := s.fetch(ctx, dir); err != nil {
		return err
	}
	changed, err := os.ReadFile(filepath.Join(dir, "bundle.zip"))
	if err != nil {
		return err
	}
	at := bytes.Index(changed, []byte(`"deviation_um":`))
	if at < 0 {
		return errors.New("the bundle holds no verdict")
	}
	for at += len(`"deviation_um":`); changed[at] < '0' || changed[at] > '9'; at++ {
	}
	changed[at] = '0' + (changed[at]-'0'+1)%10
	if err := os.WriteFile(filepath.Join(dir, "bundle-changed.zip"), changed, 0o644); err != nil {
		return err
	}
	s.plain("")
	s.plain("Verdicts: %s. Entries: %d in the calibration, %d in the job.", counted(s.verdicts),
		s.tech.follows[s.cal].seen, s.tech.follows[s.job].seen)
	if err := s.verify(ctx, dir, "bundle.zip", true); err != nil {
		return err
	}
	return s.verify(ctx, dir, "bundle-changed.zip", false)
}

// fetch puts the bundle and the server's key into dir.
func (s *story) fetch(ctx context.Context, dir string) error {
	var bundle, key bytes.Buffer
	if err := s.tech.client.Bundle(ctx, s.cal.ID, &bundle); err != nil {
		return err
	}
	if err := s.tech.client.Download(ctx, "/v1/trail-key", &key); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "bundle.zip"), bundle.Bytes(), 0o644); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, "signer.txt"), key.Bytes(), 0o644)
}

// verify lets the program speak about a bundle, which must be proven or must not be.
func (s *story) verify(ctx context.Context, dir, name string, proven bool) error {
	file := filepath.Join(dir, name)
	said, err := s.server.run(ctx, "verify", "--key", filepath.Join(dir, "signer.txt"), file)
	if (err == nil) != proven {
		return fmt.Errorf("verify %s: %s %w", name, said, err)
	}
	s.plain("verify %s:", file)
	for _, line := range strings.Split(strings.TrimSpace(said), "\n") {
		for _, part := range wrap(line, width-2) {
			s.plain("  %s", part)
		}
	}
	return nil
}
