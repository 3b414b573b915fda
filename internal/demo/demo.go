// Package demo plays the main job in an invented world: it starts the program's own server with a private cluster in a
// temporary state directory, drives it through its published interfaces only, and removes both. Its people act on what the
// server answers them. Their readings come from a simulated board seen through the instruments' noise, drawn from the
// seed: another seed gives other readings and the same story. No reading, verdict or move is written down anywhere here.
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

// Options of a demo.
type Options struct {
	Exe  string // the program
	Seed uint64
	Out  io.Writer // the tale
	Dir  string    // where bundle.zip and bundle-changed.zip go
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
	p, err := begin(ctx, o.Exe, dir)
	if err != nil {
		return out, err
	}
	defer p.end(&err)
	return p.story(t, o.Seed).tell(ctx, o.Dir)
}

// tell plays the story and proves its trail, with the bundles in dir.
func (s *story) tell(ctx context.Context, dir string) (Outcome, error) {
	s.plain("Everything here is invented: shop, desk, car and people. Seed %d.", s.seed)
	if err := s.play(ctx); err != nil {
		return Outcome{}, fmt.Errorf("%w (server: %s)", err, s.server.said())
	}
	err := s.prove(ctx, dir)
	entries := int(s.tech.follows[s.cal].seen + s.tech.follows[s.job].seen)
	return Outcome{Entries: entries, Extra: s.extra, Lines: s.lines}, err
}

// players are the server with the invented world in it, and the people signed in there.
type players struct {
	server *server
	world  world
	tech   *person
	spec   *person
}

// begin starts the server in dir, sets the world up and signs its people in.
func begin(ctx context.Context, exe, dir string) (p *players, err error) {
	p = &players{world: newWorld()}
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
	for role, who := range map[string]**person{"technician": &p.tech, "specialist": &p.spec} {
		if *who, err = signInAs(ctx, p.server.url(), p.world.SignIns[role]); err != nil {
			p.end(&err)
			return nil, err
		}
	}
	return p, nil
}

// story is one car that comes in.
func (p *players) story(t *tale, seed uint64) *story {
	return &story{
		tale: t, players: p, seed: seed, shown: map[string]float64{}, rig: newRig(seed),
		cal: client.Ref{Kind: "calibration", ID: newID()}, job: client.Ref{Kind: "job", ID: newID()},
	}
}

func newRig(seed uint64) *rig {
	c := car{
		wheelbase: wheelbase, frontTrack: frontTrack, rearTrack: rearTrack, frontOverhang: frontOverhang,
		hubFront: hubHeight, hubRear: hubHeight, thrust: thrust * degree,
	}
	r := &rig{car: c, datum: vec{wheelbase + frontOverhang, 0, datumHigh}, noise: rand.New(rand.NewPCG(seed, 0x7265616462))}
	r.floor = floorOf(c, wheelsMM, fixtureMM)
	r.board.halfWidth = halfWidth
	return r
}

// end takes leave of the people and stops the server.
func (p *players) end(err *error) {
	for _, who := range []*person{p.tech, p.spec} {
		if who != nil {
			who.close()
		}
	}
	*err = errors.Join(*err, p.server.stop())
	p.server.log.Close()
}

// prove fetches the bundle, changes a byte of a copy, and lets verify speak about both.
func (s *story) prove(ctx context.Context, dir string) error {
	var bundle bytes.Buffer
	if err := s.tech.client.Bundle(ctx, s.cal.ID, &bundle); err != nil {
		return err
	}
	var key bytes.Buffer
	if err := s.tech.client.Download(ctx, "/v1/trail-key", &key); err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	changed := bytes.Clone(bundle.Bytes())
	at := bytes.Index(changed, []byte(`"deviation_um":`))
	if at < 0 {
		return errors.New("the bundle holds no verdict")
	}
	for at += len(`"deviation_um":`); changed[at] < '0' || changed[at] > '9'; at++ {
	}
	changed[at] = '0' + (changed[at]-'0'+1)%10
	file := func(name string) string { return filepath.Join(dir, name) }
	for name, data := range map[string][]byte{"bundle.zip": bundle.Bytes(), "bundle-changed.zip": changed, "signer.txt": key.Bytes()} {
		if err := os.WriteFile(file(name), data, 0o644); err != nil {
			return err
		}
	}
	s.plain("")
	s.plain("Verdicts: %s. Entries: %d in the calibration, %d in the job.", counted(s.verdicts),
		s.tech.follows[s.cal].seen, s.tech.follows[s.job].seen)
	for _, name := range []string{"bundle.zip", "bundle-changed.zip"} {
		said, err := s.server.run(ctx, "verify", "--key", file("signer.txt"), file(name))
		if (err != nil) != (name != "bundle.zip") {
			return fmt.Errorf("verify %s: %s %w", name, said, err)
		}
		s.plain("verify %s:", file(name))
		for _, line := range strings.Split(strings.TrimSpace(said), "\n") {
			for _, part := range wrap(line, width-2) {
				s.plain("  %s", part)
			}
		}
	}
	return nil
}
