package httpapi

import (
	"fmt"
	"net/http"
	"sync"
	"time"

	"readback/internal/fault"
	"readback/internal/stream"
)

// bundle sends a calibration with its job as one archive that anyone can verify off-line. For those who may
// read the job's personal values it holds their key: whoever has such a bundle can read them.
func (s *Server) bundle(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	done, err := s.bundling.begin(actor.Org)
	if err != nil {
		return err
	}
	defer done()
	taken, err := s.Hub.Bundle(r.Context(), actor, id)
	if err != nil {
		return err
	}
	to := attachment{w: w, name: "calibration-" + id.String() + ".zip"}
	if err := s.Bundles.WriteBundle(r.Context(), &to, taken); err != nil && !to.begun {
		return fmt.Errorf("bundle calibration %s: %w", id, err)
	}
	return nil // or the caller has gone
}

// attachment is an archive on its way: the answer is one from its first byte on, before that it may still be a refusal.
type attachment struct {
	w     http.ResponseWriter
	name  string
	begun bool
}

func (a *attachment) Write(piece []byte) (int, error) {
	if !a.begun {
		a.begun = true
		a.w.Header().Set("Content-Type", "application/zip")
		a.w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", a.name))
	}
	return a.w.Write(piece)
}

// How many bundles are in memory at once, from their entries until the last byte was taken: each may be twice trail.MaxBundle, if
// all of it are entries.
const (
	mostBundles      = 8
	mostBundlesOfOrg = 2 // who reads slowly keeps nobody else from theirs
	bundleAgain      = 2 * time.Second
)

// bundling counts the bundles that are being sent. The zero value is ready; it may be used from many goroutines.
type bundling struct {
	mu  sync.Mutex // guards what follows
	all int
	of  map[stream.ID]int // by organisation
}

// begin counts one more, until done is called, or refuses it.
func (b *bundling) begin(org stream.ID) (done func(), err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.all >= mostBundles || b.of[org] >= mostBundlesOfOrg {
		return nil, fault.New(fault.TooMany, "As many bundles are being sent as there is room for. Try again in a few seconds.").After(bundleAgain)
	}
	if b.of == nil {
		b.of = map[stream.ID]int{}
	}
	b.all++
	b.of[org]++
	return func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.all--
		if b.of[org]--; b.of[org] == 0 {
			delete(b.of, org)
		}
	}, nil
}

// trailKey gives the key that bundles are checked with. Keep a copy outside: a key taken from the server that made the
// bundle proves nothing about that server.
func (s *Server) trailKey(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintln(w, s.TrailKey)
	return nil
}
