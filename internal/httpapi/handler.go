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
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"mime"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
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

// adapt makes a handler of a route that takes these query parameters and no others.
func (s *Server) adapt(h handler, parameters ...string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		defer func() {
			if p := recover(); p != nil {
				s.refuse(w, r, fmt.Errorf("panic: %v\n%s", p, debug.Stack()))
			}
		}()
		err := known(r, parameters)
		if err == nil {
			err = h(w, r)
		}
		if err != nil {
			s.refuse(w, r, err)
		}
	})
}

// forMembers looks who is asking before anything else, so that a stranger learns of nothing but that. Of one member only so
// many requests are under way: an answer is in memory until its last byte was taken.
func (s *Server) forMembers(h signedIn, parameters ...string) http.Handler {
	return s.asking(s.actor, func(w http.ResponseWriter, r *http.Request, actor stream.Actor) error {
		done, err := s.paces.begin(actor.Person())
		if err != nil {
			return err
		}
		defer done()
		return h(w, r, actor)
	}, parameters...)
}

// asking is forMembers by a given way of finding who is asking.
func (s *Server) asking(who func(*http.Request) (stream.Actor, error), h signedIn, parameters ...string) http.Handler {
	return s.adapt(func(w http.ResponseWriter, r *http.Request) error {
		actor, err := who(r)
		if err != nil {
			return err
		}
		if err := known(r, parameters); err != nil {
			return err
		}
		return h(w, r, actor)
	}, anyParameters)
}

// refuse writes a problem. Faults of ours are logged with their cause, under a number that the problem names; the caller's
// own are theirs to mend and only noted.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil && errors.Is(err, context.Canceled) {
		return // the caller has gone
	}
	e := fault.Of(err)
	p := wire.ProblemOf(e)
	level := slog.LevelDebug
	if e.Kind() == fault.Internal {
		level = slog.LevelError
		p.Instance = "urn:uuid:" + stream.NewID().String()
	}
	s.Log.LogAttrs(r.Context(), level, "request refused", slog.String("method", r.Method), slog.String("path", r.URL.Path),
		slog.String("slug", string(e.Slug)), slog.String("instance", p.Instance), slog.Any("cause", e.Unwrap()))
	if e.Slug == fault.SignInNeeded {
		w.Header().Set("WWW-Authenticate", "Bearer")
	}
	if e.Wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(e.Wait.Seconds()))))
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
	// JSON is UTF-8 whatever a parameter says (RFC 8259, section 8.1 and 11); the reader refuses anything else.
	if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != "application/json" {
		return nil, fault.New(fault.Malformed, "Send the body as JSON.", fault.Field{Name: "Content-Type", Want: "application/json"})
	}
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return nil, fault.New(fault.TooLarge, "The body is too large.", fault.Field{Name: "body", Want: fmt.Sprintf("at most %d bytes", MaxBody)})
	case err != nil:
		return nil, fault.New(fault.Malformed, "The body did not arrive whole.").Because(err)
	}
	return raw, nil
}

// number reads a query parameter that is a whole number.
func number(r *http.Request, name string, otherwise, least, most uint64) (uint64, error) {
	query := r.URL.Query()
	if !query.Has(name) {
		return otherwise, nil
	}
	n, err := strconv.ParseUint(query.Get(name), 10, 64)
	if err != nil || n < least || n > most {
		return 0, fault.Badly(name, fmt.Sprintf("a whole number from %d to %d", least, most))
	}
	return n, nil
}

// anyParameters stands for the parameters of a route that looks at them itself.
const anyParameters = "*"

// known refuses query parameters that the route does not have, and one given twice, so that a misspelt one is not
// silently without effect.
func known(r *http.Request, names []string) error {
	if slices.Contains(names, anyParameters) {
		return nil
	}
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return fault.New(fault.Malformed, "What follows the question mark in the address is not readable.")
	}
	var fields []fault.Field
	for _, given := range slices.Sorted(maps.Keys(query)) {
		switch {
		case !slices.Contains(names, given):
			fields = append(fields, fault.Field{Name: given, Want: "no such parameter here"})
		case len(query[given]) > 1:
			fields = append(fields, fault.Field{Name: given, Want: "once"})
		}
	}
	if len(fields) > 0 {
		return fault.New(fault.InvalidInput, "The address has parameters that mean nothing here.", fields...)
	}
	return nil
}
