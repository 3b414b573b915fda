package httpapi

import (
	"fmt"
	"net/http"

	"readback/internal/access"
	"readback/internal/register"
	"readback/internal/stream"
)

// export sends an owner the whole register as it stands, as an import document. People's names are plain in it.
func (s *Server) export(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
	id, err := stream.ParseID("id", r.PathValue("id"))
	if err != nil {
		return err
	}
	ref := stream.Ref{Kind: stream.Register, ID: id}
	got, err := s.Hub.View(r.Context(), actor, ref)
	if err != nil {
		return err
	}
	if err := access.Check(actor, got.Relation, ref.Kind, access.Bundle); err != nil {
		return err
	}
	state, ok := got.State.(*register.State)
	if !ok {
		return fmt.Errorf("a %T is no register", got.State)
	}
	doc, err := register.Export(state, func(name stream.Sealed) (string, bool) {
		plain, ok := got.Opened[name.Sealed.V]
		return plain, ok
	})
	if err != nil {
		return fmt.Errorf("export register %s: %w", id, err)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "register-"+id.String()+".json"))
	w.Write(doc) // the caller may have gone
	return nil
}
