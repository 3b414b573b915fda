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
	var zip whole
	if err := s.Bundles.WriteBundle(r.Context(), &zip, taken); err != nil {
		return fmt.Errorf("bundle calibration %s: %w", id, err)
	}
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "calibration-"+id.String()+".zip"))
	for _, part := range zip {
		w.Write(part) // the caller may have gone
	}
	return nil
}

// whole keeps what is written to it as it was given: a bundle comes in one piece, of up to trail.MaxBundle.
type whole [][]byte

func (all *whole) Write(b []byte) (int, error) {
	*all = append(*all, b)
	return len(b), nil
}

// How many bundles are in memory at once, from their entries until the last byte was taken: each may be twice trail.MaxBundle.
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
