package trail

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"

	"readback/internal/fault"
)

// MaxDepth is how deep objects and lists may nest in a body.
const MaxDepth = 32

// maxInteger is the largest integer that every JSON reader keeps exactly: 2⁵³ − 1.
const maxInteger = 1<<53 - 1

// Canonical rewrites one JSON value in the form of RFC 8785, for values within the profile of the trail: integers of
// at most 2⁵³ − 1 in size, no fractions, no null, no key twice, valid Unicode. What is outside the profile is refused
// with a *fault.Error that names the place.
func Canonical(raw []byte) ([]byte, error) { return appendCanonical(make([]byte, 0, len(raw)), raw) }

// appendCanonical appends the canonical form of raw to dst. On an error dst is returned as it was.
func appendCanonical(dst, raw []byte) ([]byte, error) {
	s := scanner{src: raw}
	if s.value(0) && s.pos == len(raw) {
		return append(dst, raw...), nil
	}
	w := rewriter{src: raw, out: dst}
	f := w.value(0)
	if w.space(); f == nil && w.pos < len(raw) {
		f = w.syntax("nothing after the value")
	}
	if f != nil {
		return dst, f.fault()
	}
	return w.out, nil
}

// wholeValue stands for a path where there is none.
const wholeValue = "the value"

// flaw is why a value has no canonical form. The path is collected from the inside out.
type flaw struct {
	path string
	want string
	at   int // byte offset, for what is not JSON at all
}

func (f *flaw) under(step string) *flaw {
	if f.path == "" || f.path[0] == '[' {
		f.path = step + f.path
	} else {
		f.path = step + "." + f.path
	}
	return f
}

func (f *flaw) fault() error {
	if f.at >= 0 {
		return fault.New(fault.Malformed, fmt.Sprintf("This is not JSON: at byte %d: want %s.", f.at, f.want))
	}
	if f.path == "" {
		f.path = wholeValue
	}
	return fault.Badly(f.path, f.want)
}

// rewriter copies a JSON value from src to out, canonically.
type rewriter struct {
	src     []byte
	pos     int
	out     []byte
	members []member // of the objects being written, innermost last
	scratch []byte
}

// member is one key and value in out: out[from:to], the key with its quotes being out[from:key].
type member struct{ from, key, to int }

func (w *rewriter) syntax(want string) *flaw { return &flaw{want: want, at: w.pos} }

func outside(want string) *flaw { return &flaw{want: want, at: -1} }

func (w *rewriter) space() {
	for w.pos < len(w.src) {
		switch w.src[w.pos] {
		case ' ', '\t', '\r', '\n':
			w.pos++
		default:
			return
		}
	}
}

// next gives the next byte that is not white space, 0 at the end.
func (w *rewriter) next() byte {
	w.space()
	if w.pos < len(w.src) {
		return w.src[w.pos]
	}
	return 0
}

func (w *rewriter) value(depth int) *flaw {
	c := w.next()
	if depth > MaxDepth {
		return outside(fmt.Sprintf("at most %d levels of nesting", MaxDepth))
	}
	switch {
	case c == '{':
		return w.object(depth)
	case c == '[':
		return w.list(depth)
	case c == '"':
		return w.text()
	case c == '-' || c >= '0' && c <= '9':
		return w.integer()
	}
	for _, word := range []string{"true", "false"} {
		if bytes.HasPrefix(w.src[w.pos:], []byte(word)) {
			w.pos += len(word)
			w.out = append(w.out, word...)
			return nil
		}
	}
	if bytes.HasPrefix(w.src[w.pos:], []byte("null")) {
		return outside("a value, or leave the key out: null is not kept")
	}
	return w.syntax("a value")
}

func (w *rewriter) list(depth int) *flaw {
	w.pos++
	w.out = append(w.out, '[')
	for i := 0; ; i++ {
		c := w.next()
		if c == ']' {
			w.pos++
			w.out = append(w.out, ']')
			return nil
		}
		if i > 0 {
			if c != ',' {
				return w.syntax("a comma or ]")
			}
			w.pos++
			w.out = append(w.out, ',')
		}
		if f := w.value(depth + 1); f != nil {
			return f.under("[" + strconv.Itoa(i) + "]")
		}
	}
}

func (w *rewriter) object(depth int) *flaw {
	w.pos++
	start, base := len(w.out), len(w.members)
	w.out = append(w.out, '{')
	for i := 0; ; i++ {
		c := w.next()
		if c == '}' {
			w.pos++
			break
		}
		if i > 0 {
			if c != ',' {
				return w.syntax("a comma or }")
			}
			w.pos++
			w.out = append(w.out, ',')
			c = w.next()
		}
		if c != '"' {
			return w.syntax("a key in quotes")
		}
		m := member{from: len(w.out)}
		if f := w.text(); f != nil {
			return f
		}
		m.key = len(w.out)
		if w.next() != ':' {
			return w.syntax("a colon")
		}
		w.pos++
		w.out = append(w.out, ':')
		if f := w.value(depth + 1); f != nil {
			return f.under(plain(w.out[m.from:m.key]))
		}
		m.to = len(w.out)
		w.members = append(w.members, m)
	}
	f := w.order(start+1, w.members[base:])
	w.members = w.members[:base]
	w.out = append(w.out, '}')
	return f
}

// order sorts the members written from out[start] on by their keys.
func (w *rewriter) order(start int, members []member) *flaw {
	byKey := func(a, b member) int { return compareKeys(w.out[a.from:a.key], w.out[b.from:b.key]) }
	if !slices.IsSortedFunc(members, byKey) {
		slices.SortFunc(members, byKey)
		w.scratch = append(w.scratch[:0], w.out[start:]...)
		w.out = w.out[:start]
		for i := range members {
			m := &members[i]
			if i > 0 {
				w.out = append(w.out, ',')
			}
			from := len(w.out)
			w.out = append(w.out, w.scratch[m.from-start:m.to-start]...)
			m.from, m.key, m.to = from, from+m.key-m.from, len(w.out)
		}
	}
	for i := 1; i < len(members); i++ {
		if byKey(members[i-1], members[i]) == 0 {
			return outside("given once").under(plain(w.out[members[i].from:members[i].key]))
		}
	}
	return nil
}

func (w *rewriter) integer() *flaw {
	start := w.pos
	digits := func() bool {
		from := w.pos
		for w.pos < len(w.src) && w.src[w.pos] >= '0' && w.src[w.pos] <= '9' {
			w.pos++
		}
		return w.pos > from
	}
	if w.src[w.pos] == '-' {
		w.pos++
	}
	first := w.pos
	if !digits() || w.src[first] == '0' && w.pos > first+1 {
		return w.syntax("a number")
	}
	if w.pos < len(w.src) && (w.src[w.pos] == '.' || w.src[w.pos]|0x20 == 'e') {
		return outside("a whole number, without a point or an exponent")
	}
	n, err := strconv.ParseInt(string(w.src[start:w.pos]), 10, 64)
	if err != nil || n > maxInteger || n < -maxInteger {
		return outside(fmt.Sprintf("a whole number from -%d to %d", maxInteger, maxInteger))
	}
	w.out = strconv.AppendInt(w.out, n, 10)
	return nil
}
