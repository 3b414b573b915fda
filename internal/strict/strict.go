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
	"unicode/utf8"

	"readback/internal/fault"
)

// MaxDepth is how deep objects and lists may nest.
const MaxDepth = 24

// MaxMembers is how many members one object may have. What there may be many of stands in lists.
const MaxMembers = 512

// MaxFields is how many faults one error lists; further ones are found once these are mended.
const MaxFields = 40

// reading is what all objects of one input share.
type reading struct {
	fields    []fault.Field
	malformed *fault.Error
	objects   []*Object // every object handed out, for the keys nobody asked for
	first     [4]*Object

	top  node
	root Object
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
	r.objects = r.first[:0]
	r.root = Object{r: r, path: path, root: true}
	o := &r.root
	switch r.malformed = parse(raw, path, r); {
	case r.malformed != nil:
		o.dead = true
	case r.top.kind != object:
		r.reject(nameOr(path, "the input"), "an object")
		o.dead = true
	default:
		o.n = &r.top
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

// parse builds the tree below r.top. A duplicate key is noted.
func parse(raw []byte, path string, r *reading) *fault.Error {
	bad := func(detail string) *fault.Error { return fault.New(fault.Malformed, detail) }
	if !utf8.Valid(raw) {
		return bad("The input is not valid UTF-8.")
	}
	if !json.Valid(raw) {
		var v json.RawMessage
		var at *json.SyntaxError
		if err := json.Unmarshal(raw, &v); errors.As(err, &at) {
			return bad("The input is not JSON: " + at.Error() + ", at byte " + strconv.FormatInt(at.Offset, 10) + ".")
		}
		return bad("The input is not JSON.")
	}
	w := walk{raw: raw, path: path, r: r}
	w.space()
	r.top = w.value()
	if w.over != "" {
		return bad(w.over)
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
