// Package strict reads JSON objects field by field and names every fault by its path, such as readings[3].value_mm,
// with what would be right there. One reading collects all the faults it finds; Close returns them as one
// *fault.Error.
//
// What is refused: anything that is not one JSON value in valid UTF-8, nesting deeper than MaxDepth, an object of more
// than MaxMembers, a key given twice, a key nobody asked for, a missing key, null, a value of another type, a number that is not finite or is
// outside its range. A value read from a field at fault is the zero value, so a caller reads everything first and
// looks at Close once.
//
// Reading takes time in proportion to the length of the input, whatever it holds: it comes before anybody has signed in.
//
// A reading belongs to one goroutine.
package strict

import (
	"encoding/json"
	"errors"
	"strconv"
	"strings"
	"unicode/utf8"

	"readback/internal/fault"
)

// MaxDepth is how deep objects and lists may nest.
const MaxDepth = 24

// MaxMembers is how many members one object may have. What there may be many of stands in lists.
const MaxMembers = 512

// MaxFields is how many faults one error lists; further ones are found once these are mended.
const MaxFields = 40

type kind int

const (
	null kind = iota
	boolean
	number
	text
	object
	list
)

// node is one JSON value. Only the members that fit its kind are set.
type node struct {
	kind    kind
	text    string // a string's value, or a number as it was written
	truth   bool
	members []member
	places  map[string]int // of the members, once there are more than few
	items   []node
	raw     []byte // the bytes of the value, shared with the input
}

type member struct {
	key   string
	asked bool
	value node
}

// reading is what all objects of one input share.
type reading struct {
	fields    []fault.Field
	malformed *fault.Error
	objects   []*Object // every object handed out, for the keys nobody asked for
}

func (r *reading) full() bool { return len(r.fields) >= MaxFields }

func (r *reading) reject(path, want string) {
	if !r.full() {
		r.fields = append(r.fields, fault.Field{Name: path, Want: want})
	}
}

// Read starts reading raw, which must be one object. The path is put before the names of its fields; it is empty for
// an input that stands alone. The faults wait for Close.
func Read(raw []byte, path string) *Object {
	r := &reading{}
	o := &Object{r: r, path: path, root: true}
	n, err := parse(raw, path, r)
	switch {
	case err != nil:
		r.malformed, o.dead = err, true
	case n.kind != object:
		r.reject(nameOr(path, "the input"), "an object")
		o.dead = true
	default:
		o.n = n
		r.objects = append(r.objects, o)
	}
	return o
}

func nameOr(path, otherwise string) string {
	if path == "" {
		return otherwise
	}
	return path
}

// parse builds the tree. A duplicate key is noted in r and its second value dropped.
func parse(raw []byte, path string, r *reading) (*node, *fault.Error) {
	bad := func(detail string) *fault.Error { return fault.New(fault.Malformed, detail) }
	if !utf8.Valid(raw) {
		return nil, bad("The input is not valid UTF-8.")
	}
	if !json.Valid(raw) {
		var v json.RawMessage
		var at *json.SyntaxError
		if err := json.Unmarshal(raw, &v); errors.As(err, &at) {
			return nil, bad("The input is not JSON: " + at.Error() + ", at byte " + strconv.FormatInt(at.Offset, 10) + ".")
		}
		return nil, bad("The input is not JSON.")
	}
	w := walk{raw: raw, path: path, r: r}
	w.space()
	n := w.value(0)
	if w.over != "" {
		return nil, bad(w.over)
	}
	return &n, nil
}

// walk goes over input that is known to be valid JSON, so it looks at nothing but the structure.
type walk struct {
	raw  []byte
	at   int
	over string // the limit that is passed, in words; nothing is read after it
	path string
	keys []string // of the objects and lists around, to name a duplicate
	r    *reading
}

func (w *walk) space() {
	for w.at < len(w.raw) && (w.raw[w.at] == ' ' || w.raw[w.at] == '\n' || w.raw[w.at] == '\t' || w.raw[w.at] == '\r') {
		w.at++
	}
}

// value reads the value that starts here and the space after it.
func (w *walk) value(depth int) node {
	var n node
	start := w.at
	switch w.raw[w.at] {
	case '{':
		n.kind = object
		w.inside('}', depth, func() { w.member(&n, depth) })
	case '[':
		n.kind = list
		w.inside(']', depth, func() {
			w.keys = append(w.keys, "["+strconv.Itoa(len(n.items))+"]")
			n.items = append(n.items, w.value(depth+1))
			w.keys = w.keys[:len(w.keys)-1]
		})
	case '"':
		n.kind, n.text = text, w.string()
	case 't', 'f', 'n':
		n.kind, n.truth = boolean, w.raw[w.at] == 't'
		if w.raw[w.at] == 'n' {
			n.kind = null
		}
		for w.at < len(w.raw) && 'a' <= w.raw[w.at] && w.raw[w.at] <= 'z' {
			w.at++
		}
	default:
		for w.at < len(w.raw) && strings.IndexByte("+-.0123456789Ee", w.raw[w.at]) >= 0 {
			w.at++
		}
		n.kind, n.text = number, string(w.raw[start:w.at])
	}
	n.raw = w.raw[start:w.at:w.at]
	w.space()
	return n
}

// inside reads what stands between an opening bracket and its end, element by element.
func (w *walk) inside(end byte, depth int, element func()) {
	if depth >= MaxDepth {
		w.over = "The input nests deeper than " + strconv.Itoa(MaxDepth) + " levels."
	}
	w.at++
	w.space()
	for w.over == "" && w.raw[w.at] != end {
		element()
		if w.over == "" && w.raw[w.at] == ',' {
			w.at++
			w.space()
		}
	}
	if w.over == "" {
		w.at++
	}
}

func (w *walk) member(n *node, depth int) {
	key := w.string()
	w.space()
	w.at++ // the colon
	w.space()
	w.keys = append(w.keys, key)
	v := w.value(depth + 1)
	switch {
	case n.find(key) != nil:
		if !w.r.full() { // the path may be long, and the faults many
			w.r.reject(w.here(), "given once")
		}
	case len(n.members) == MaxMembers:
		w.over = "The input has an object of more than " + strconv.Itoa(MaxMembers) + " members."
	default:
		n.add(member{key: key, value: v})
	}
	w.keys = w.keys[:len(w.keys)-1]
}

// here is the path of the value being read.
func (w *walk) here() string {
	path := w.path
	for _, key := range w.keys {
		if key[:min(1, len(key))] == "[" {
			path += key
		} else {
			path = join(path, key)
		}
	}
	return path
}

// string reads the string that starts here.
func (w *walk) string() string {
	start, escaped := w.at, false
	for w.at++; w.raw[w.at] != '"'; w.at++ {
		if w.raw[w.at] == '\\' {
			escaped = true
			w.at++
		}
	}
	w.at++
	if !escaped {
		return string(w.raw[start+1 : w.at-1])
	}
	var s string
	if err := json.Unmarshal(w.raw[start:w.at], &s); err != nil {
		return "" // cannot be: the input is valid
	}
	return s
}

// few members are found faster by looking at each than through a map.
const few = 16

func (n *node) add(m member) {
	n.members = append(n.members, m)
	switch {
	case n.places != nil:
		n.places[m.key] = len(n.members) - 1
	case len(n.members) > few:
		n.places = make(map[string]int, 4*few)
		for i := range n.members {
			n.places[n.members[i].key] = i
		}
	}
}

func (n *node) find(key string) *member {
	if n.places != nil {
		if i, ok := n.places[key]; ok {
			return &n.members[i]
		}
		return nil
	}
	for i := range n.members {
		if n.members[i].key == key {
			return &n.members[i]
		}
	}
	return nil
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func index(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }
