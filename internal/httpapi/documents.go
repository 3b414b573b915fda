package httpapi

import (
	"net/http"

	"readback/internal/procedure"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/strict"
)

// readDocument gives a procedure or a dimension sheet that somebody wrote, in YAML or JSON and in millimetres and degrees, as
// the data of the command that adds it, but for the id. Every fault is named with its field and line. Nothing is kept.
func (s *Server) readDocument(w http.ResponseWriter, r *http.Request, _ stream.Actor) error {
	raw, err := body(w, r)
	if err != nil {
		return err
	}
	o := strict.Read(raw, "")
	kind, text := o.Enum("kind", "procedure", "dimensions"), o.Paste("text", MaxBody)
	if err := o.Close(); err != nil {
		return err
	}
	written, locate, err := s.Written([]byte(text))
	if err != nil {
		return err
	}
	if kind == "dimensions" {
		sheet, err := register.ReadDimensions(written)
		if err != nil {
			return locate(err)
		}
		return answer(w, map[string]any{"kind": kind, "title": sheet.Type, "data": sheet})
	}
	p, err := procedure.Decode(written, "")
	if err != nil {
		return locate(err)
	}
	whole, err := p.Whole()
	if err != nil {
		return err
	}
	return answer(w, map[string]any{"kind": kind, "title": p.Title, "data": map[string]any{"procedure": whole}, "said": p.Describe()})
}
