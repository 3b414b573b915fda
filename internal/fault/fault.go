// Package fault is how Readback says no. Every refusal, on HTTP, on a websocket and on the command line, is one
// Error: a stable slug that programs may branch on, a sentence for people, and the fields that were wrong with what
// would be right. The slugs and what they mean are one table, in slug.go. What is not an Error is an internal
// fault, and its text is for the log only.
package fault

import (
	"errors"
	"strings"
	"time"
)

// Kind says what the caller can do about an Error; HTTP status and CLI exit status follow from it.
type Kind int

const (
	Internal    Kind = iota // ours: nothing the caller can change
	Invalid                 // the input is wrong: change it
	NotFound                // no such thing, or not for you: the two are never told apart
	Conflict                // the input was right for another state: look again
	Denied                  // you may not
	Unavailable             // not now: the same again later may do
)

// Field is one thing wrong in the input. Name is its path as the sender wrote it, dots between keys and [i] for the
// element of a list; Want says what would be right, with its unit.
type Field struct {
	Name string `json:"field"`
	Want string `json:"want"`
}

// Error is a refusal. It is never changed after New returns it.
type Error struct {
	Slug   Slug
	Detail string        // one sentence, safe to show to whoever asked
	Fields []Field       // what was wrong, if it can be pinned to fields
	Wait   time.Duration // after which the same may do; 0: not known
	cause  error         // for the log; never shown
}

// New makes an Error. The slug must stand in the table of slug.go: another one is a mistake of the programmer's.
func New(slug Slug, detail string, fields ...Field) *Error {
	if _, ok := table[slug]; !ok {
		panic("fault: slug without a row in the table: " + string(slug))
	}
	return &Error{Slug: slug, Detail: detail, Fields: fields}
}

// Because returns a copy of e that keeps the cause for the log.
func (e *Error) Because(cause error) *Error {
	c := *e
	c.cause = cause
	return &c
}

// After returns a copy of e that says after how long the same may do.
func (e *Error) After(wait time.Duration) *Error {
	c := *e
	c.Wait = wait
	return &c
}

// Kind is the kind the slug stands for.
func (e *Error) Kind() Kind { return table[e.Slug].kind }

// Title is the slug's fixed short name for people.
func (e *Error) Title() string { return table[e.Slug].title }

// Unwrap gives the cause, which may be nil.
func (e *Error) Unwrap() error { return e.cause }

func (e *Error) Error() string {
	var b strings.Builder
	detail := e.Detail
	if detail == "" {
		detail = e.Title()
	}
	if len(e.Fields) > 0 {
		detail = strings.TrimSuffix(detail, ".")
	}
	b.WriteString(detail)
	for i, f := range e.Fields {
		if i == 0 {
			b.WriteString(": ")
		} else {
			b.WriteString("; ")
		}
		b.WriteString(f.Name + ": " + f.Want)
	}
	return b.String()
}

// Of returns the Error in err's chain, or an internal-fault Error that keeps err as its cause.
func Of(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return New(InternalFault, "Something failed on our side. It was logged.").Because(err)
}

// Is reports whether err's chain holds an Error with the slug.
func Is(err error, slug Slug) bool {
	var e *Error
	return errors.As(err, &e) && e.Slug == slug
}

// Badly is short for the commonest refusal: one field of the input is wrong.
func Badly(field, want string) *Error {
	return New(InvalidInput, "The input is not usable as it stands.", Field{field, want})
}
