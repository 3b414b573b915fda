package client

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
)

// Problem is a refusal (RFC 9457). It is an error.
type Problem struct {
	Type   string         `json:"type"`
	Title  string         `json:"title"`
	Status int            `json:"status"`
	Detail string         `json:"detail"`
	Errors []ProblemField `json:"errors"`
}

// ProblemField is one thing that was wrong in what was sent.
type ProblemField struct {
	Field string `json:"field"` // its path, such as readings[3].value_um
	Want  string `json:"want"`  // what would be right
}

// Slug is the last part of the type: what programs branch on.
func (p *Problem) Slug() string { return p.Type[strings.LastIndex(p.Type, "/")+1:] }

func (p *Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.Title)
	if p.Detail != "" {
		b.WriteString(": " + p.Detail)
	}
	for _, e := range p.Errors {
		b.WriteString(" [" + e.Field + ": " + e.Want + "]")
	}
	return b.String()
}

// IsProblem reports whether err is a refusal with the slug.
func IsProblem(err error, slug string) bool {
	var p *Problem
	return errors.As(err, &p) && p.Slug() == slug
}

// problemOf reads a refusal; something between us and the server may have answered in its place.
func problemOf(answer *http.Response) *Problem {
	p := &Problem{}
	raw, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20))
	media, _, _ := strings.Cut(answer.Header.Get("Content-Type"), ";")
	if err != nil || media != "application/problem+json" || json.Unmarshal(raw, p) != nil {
		p = &Problem{Type: "about:blank", Title: http.StatusText(answer.StatusCode)} // RFC 9457, section 4.2.1
	}
	p.Status = answer.StatusCode
	return p
}
