package httpapi

import (
	"fmt"
	"html/template"
	"net/http"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wire"
)

// healthy says that the process answers. Whether it can take commands is ready's to say.
func (s *Server) healthy(w http.ResponseWriter, r *http.Request) error {
	return answer(w, map[string]any{"version": s.Version})
}

func (s *Server) ready(w http.ResponseWriter, r *http.Request) error {
	if err := s.Hub.Ready(); err != nil {
		return err
	}
	return answer(w, map[string]any{"ready": true})
}

// problem explains a slug: the address that a problem's type points to.
func (s *Server) problem(w http.ResponseWriter, r *http.Request) error {
	slug := fault.Slug(r.PathValue("slug"))
	for _, known := range fault.Slugs() {
		if known == slug {
			return answer(w, map[string]any{
				"slug": slug, "title": fault.TitleOf(slug), "status": wire.ProblemOf(fault.New(slug, "")).Status,
			})
		}
	}
	return fault.New(fault.NotHere, "There is no problem of that name.")
}

var frontPage = template.Must(template.New("front").Parse(`<!DOCTYPE html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>Readback</title>
<h1>Readback</h1>
<p>This server pairs workshop bays with remote specialists, checks where calibration targets stand, and keeps the trail.
<p><a href="/sign-in">Sign in</a>
<p>It is used through its interfaces: HTTP under <code>/v1/</code> and one websocket at <code>/v1/live</code>.
<a href="/docs">One page</a> describes both.
<p>Version {{.}}
`))

// front says what this is to a stranger, and leads who is signed in by cookie to the place of their work.
func (s *Server) front(w http.ResponseWriter, r *http.Request) error {
	if actor, err := s.unpaced(r); err == nil && s.Pages != nil {
		place := "/people" // owners who do neither work let people in and keep the register
		switch {
		case actor.Has(stream.Technician):
			place = "/bay"
		case actor.Has(stream.Specialist):
			place = "/desk"
		}
		http.Redirect(w, r, place, http.StatusSeeOther)
		return nil
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", "default-src 'none'")
	if err := frontPage.Execute(w, s.Version); err != nil {
		return fmt.Errorf("front page: %w", err)
	}
	return nil
}
