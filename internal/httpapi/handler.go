// Package httpapi serves the HTTP interface: sign-in, commands, entries, lists and bundles, with the websocket mounted
// beside them. Handlers return errors; one adapter writes them as RFC 9457 problems and is the only place that logs them.
//
// Every request but sign-in and the health checks has an actor: a member with the roles the register gives at that
// moment. What an actor may see or do is decided by live and the streams' rules, never here.
package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"strconv"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wire"
)

// MaxBody is the largest request body read, in bytes.
const MaxBody = 256 << 10

// handler is a route that may fail.
type handler func(w http.ResponseWriter, r *http.Request) error

// signedIn is a route for signed-in members.
type signedIn func(w http.ResponseWriter, r *http.Request, actor stream.Actor) error

func (s *Server) adapt(h handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		if err := h(w, r); err != nil {
			s.refuse(w, r, err)
		}
	})
}

func (s *Server) forMembers(h signedIn) http.Handler {
	return s.adapt(func(w http.ResponseWriter, r *http.Request) error {
		actor, err := s.actor(r)
		if err != nil {
			return err
		}
		return h(w, r, actor)
	})
}

// refuse writes a problem. Faults of ours are logged with their cause; the caller's own are theirs to mend and only noted.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return // the caller has gone
	}
	e := fault.Of(err)
	level := slog.LevelDebug
	if e.Kind() == fault.Internal {
		level = slog.LevelError
	}
	s.log.LogAttrs(r.Context(), level, "request refused", slog.String("method", r.Method), slog.String("path", r.URL.Path),
		slog.String("slug", string(e.Slug)), slog.Any("cause", e.Unwrap()))
	p := wire.ProblemOf(e)
	if e.Slug == fault.SignInNeeded {
		w.Header().Set("WWW-Authenticate", "Bearer")
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	json.NewEncoder(w).Encode(p) // the caller may have gone; nobody else is hurt
}

func answer(w http.ResponseWriter, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Write(append(body, '\n')) // the caller may have gone
	return nil
}

// body reads a JSON request body whole, within MaxBody.
func body(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	if ct := r.Header.Get("Content-Type"); ct != "application/json" && ct != "application/json; charset=utf-8" {
		return nil, fault.New(fault.Malformed, "Send the body as JSON.", fault.Field{Name: "Content-Type", Want: "application/json"})
	}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return nil, fault.New(fault.TooLarge, "The body is too large.", fault.Field{Name: "body", Want: "at most 262144 bytes"})
	case err != nil:
		return nil, fault.New(fault.Malformed, "The body did not arrive whole.").Because(err)
	}
	return raw, nil
}

// number reads a query parameter that is a whole number from 0 to most.
func number(r *http.Request, name string, otherwise, most uint64) (uint64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return otherwise, nil
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil || n > most {
		return 0, fault.Badly(name, "a whole number from 0 to "+strconv.FormatUint(most, 10))
	}
	return n, nil
}

// known refuses query parameters that the route does not have, so that a misspelt one is not silently without effect.
func known(r *http.Request, names ...string) error {
	var fields []fault.Field
	for given := range r.URL.Query() {
		found := false
		for _, n := range names {
			found = found || n == given
		}
		if !found {
			fields = append(fields, fault.Field{Name: given, Want: "no such parameter here"})
		}
	}
	if len(fields) > 0 {
		return fault.New(fault.InvalidInput, "The address has a parameter that means nothing here.", fields...)
	}
	return nil
}
