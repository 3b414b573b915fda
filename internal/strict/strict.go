// Package strict reads JSON objects field by field and names every fault by its path, such as readings[3].value_mm,
// with what would be right there. One reading collects all the faults it finds; Close returns them as one
// *fault.Error.
//
// What is refused: anything that is not one JSON value in valid UTF-8, nesting deeper than MaxDepth, a key given
// twice, a key nobody asked for, a missing key, null, a value of another type, a number that is not finite or is
// outside its range. A value read from a field at fault is the zero value, so a caller reads everything first and
// looks at Close once.
//
// A reading belongs to one goroutine.
package strict

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strconv"
	"unicode/utf8"

	"readback/internal/fault"
)

// MaxDepth is how deep objects and lists may nest.
const MaxDepth = 24

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
	items   []*node
	raw     []byte // the bytes of the value, shared with the input
}

type member struct {
	key   string
	value *node
	asked bool
}

// reading is what all objects of one input share.
type reading struct {
	fields    []fault.Field
	malformed *fault.Error
	objects   []*Object // every object handed out, for the keys nobody asked for
}

func (r *reading) reject(path, want string) {
	if len(r.fields) < MaxFields {
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
	// Valid also refuses what follows the first value, and looseness of the token stream below.
	if !json.Valid(raw) {
		var v json.RawMessage
		var at *json.SyntaxError
		if err := json.Unmarshal(raw, &v); errors.As(err, &at) {
			return nil, bad("The input is not JSON: " + at.Error() + ", at byte " + strconv.FormatInt(at.Offset, 10) + ".")
		}
		return nil, bad("The input is not JSON.")
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	p := parser{dec: dec, raw: raw, r: r}
	n, err := p.value(path, 0)
	if errors.Is(err, errDeep) {
		return nil, bad("The input nests deeper than " + strconv.Itoa(MaxDepth) + " levels.")
	}
	if err != nil {
		return nil, bad("The input is not JSON: " + err.Error() + ".")
	}
	return n, nil
}

var errDeep = errors.New("too deep")

type parser struct {
	dec *json.Decoder
	raw []byte
	r   *reading
}

func (p *parser) value(path string, depth int) (*node, error) {
	if depth > MaxDepth {
		return nil, errDeep
	}
	start := p.dec.InputOffset()
	tok, err := p.dec.Token()
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	n := &node{}
	switch t := tok.(type) {
	case nil:
		n.kind = null
	case bool:
		n.kind, n.truth = boolean, t
	case json.Number:
		n.kind, n.text = number, t.String()
	case string:
		n.kind, n.text = text, t
	case json.Delim:
		if t == '{' {
			n.kind = object
			err = p.members(n, path, depth)
		} else {
			n.kind = list
			err = p.items(n, path, depth)
		}
		if err != nil {
			return nil, err
		}
	}
	n.raw = bytes.TrimLeft(p.raw[start:p.dec.InputOffset()], " \t\r\n:,")
	return n, nil
}

func (p *parser) members(n *node, path string, depth int) error {
	for p.dec.More() {
		tok, err := p.dec.Token()
		if err != nil {
			return err
		}
		key := tok.(string) // the input is valid JSON, so a member starts with a string
		v, err := p.value(join(path, key), depth+1)
		if err != nil {
			return err
		}
		if n.find(key) != nil {
			p.r.reject(join(path, key), "given once")
			continue
		}
		n.members = append(n.members, member{key: key, value: v})
	}
	_, err := p.dec.Token()
	return err
}

func (p *parser) items(n *node, path string, depth int) error {
	for p.dec.More() {
		v, err := p.value(index(path, len(n.items)), depth+1)
		if err != nil {
			return err
		}
		n.items = append(n.items, v)
	}
	_, err := p.dec.Token()
	return err
}

func (n *node) find(key string) *member {
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
