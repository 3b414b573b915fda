package httpapi

import (
	"bytes"
	"fmt"
	"net/http"

	"readback/internal/stream"
)

// bundle sends a calibration with its job as one archive that anyone can verify off-line. For those who may
// read the job's personal values it holds their key: whoever has such a bundle can read them.
func (s *Server) bundle(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	taken, err := s.Hub.Bundle(r.Context(), actor, id)
	if err != nil {
		return err
	}
	var zip bytes.Buffer
	if err := s.Bundles.WriteBundle(r.Context(), &zip, taken); err != nil {
		return fmt.Errorf("bundle calibration %s: %w", id, err)
	}
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "calibration-"+id.String()+".zip"))
	w.Write(zip.Bytes()) // the caller may have gone
	return nil
}

// trailKey gives the key that bundles are checked with. Keep a copy outside: a key taken from the server that made the
// bundle proves nothing about that server.
func (s *Server) trailKey(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	fmt.Fprintln(w, s.TrailKey)
	return nil
}
