package httpapi

import (
	"net/http"

	"readback/internal/stream"
	"readback/internal/strict"
	"readback/internal/vehicle"
)

// pasted reads the text of a request.
func pasted(w http.ResponseWriter, r *http.Request) (string, error) {
	raw, err := body(w, r)
	if err != nil {
		return "", err
	}
	o := strict.Read(raw, "")
	text := o.Paste("text", MaxBody)
	return text, o.Close()
}

// readAlignment gives a wheel alignment file as the data of commands. Nothing is kept: the command attaches it.
func (s *Server) readAlignment(w http.ResponseWriter, r *http.Request, _ stream.Actor) error {
	text, err := pasted(w, r)
	if err != nil {
		return err
	}
	got, err := vehicle.ReadAlignmentFile([]byte(text))
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"alignments": got})
}

// readCodes gives a pasted scan as codes, and the lines that were not understood. Nothing is kept: the command records it.
func (s *Server) readCodes(w http.ResponseWriter, r *http.Request, _ stream.Actor) error {
	text, err := pasted(w, r)
	if err != nil {
		return err
	}
	return answer(w, vehicle.ReadListing(text))
}
