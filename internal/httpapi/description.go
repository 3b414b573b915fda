package httpapi

import (
	"net/http"
	"sync"

	"readback/api"
	"readback/internal/apidoc"
	"readback/internal/fault"
)

// description gives one of the embedded descriptions as it was written.
func (s *Server) description(name, media string) handler {
	return func(w http.ResponseWriter, r *http.Request) error {
		raw, err := api.Files().ReadFile(name)
		if err != nil {
			return err
		}
		w.Header().Set("Content-Type", media)
		w.Write(raw) // the caller may have gone
		return nil
	}
}

// schema gives a JSON Schema by its file's name.
func (s *Server) schema(w http.ResponseWriter, r *http.Request) error {
	files, err := api.Files().ReadDir("schema")
	if err != nil {
		return err
	}
	for _, f := range files {
		if f.Name() == r.PathValue("name") {
			return s.description("schema/"+f.Name(), "application/schema+json")(w, r)
		}
	}
	return fault.New(fault.NotHere, "There is no schema of that name.")
}

// docsPage is made at the first request: it is the same for all.
var docsPage = sync.OnceValues(apidoc.Page)

// docs shows all descriptions as one page to read.
func (s *Server) docs(w http.ResponseWriter, r *http.Request) error {
	page, err := docsPage()
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", apidoc.Policy())
	w.Write(page) // the caller may have gone
	return nil
}
