package strict

import (
	"encoding/json"
	"iter"

	"readback/internal/fault"
)

// Object is one JSON object being read. It is never nil: where the object is missing or of another type, that is
// noted once and everything read from it is zero.
type Object struct {
	r    *reading
	n    *node
	path string
	root bool
	dead bool
}

// Path is the full name of a key of this object.
func (o *Object) Path(key string) string { return join(o.path, key) }

// Reject notes a fault of the caller's finding.
func (o *Object) Reject(key, want string) {
	if !o.r.full() {
		o.r.reject(o.Path(key), want)
	}
}

// There reports whether there is an object to read from: where it is missing or of another type, that is noted already.
func (o *Object) There() bool { return !o.dead }

// Ignore counts every key of this object as asked for: when a fault already noted makes its keys meaningless.
func (o *Object) Ignore() {
	if o.dead {
		return
	}
	for i := range o.n.of.members {
		o.n.of.members[i].asked = true
	}
}

// Has reports whether the key is there, whatever its value. It does not count as reading it.
func (o *Object) Has(key string) bool { return !o.dead && o.n.of.find(key) != nil }

// HoldsObject reports whether the key is there and an object, where another type may stand too. It does not count as reading it.
func (o *Object) HoldsObject(key string) bool {
	if o.dead {
		return false
	}
	n := o.n.of.find(key)
	return n != nil && n.value.kind == object
}

// Close returns the faults of the whole reading, those of nested objects and the keys nobody asked for included, as
// a *fault.Error, or nil. It is called on the object that Read returned, when everything has been read.
func (o *Object) Close() error {
	if !o.root {
		panic("strict: Close of a nested object")
	}
	if o.r.malformed != nil {
		return o.r.malformed
	}
	for _, each := range o.r.objects {
		for i := range each.n.of.members {
			if m := &each.n.of.members[i]; !m.asked {
				each.Reject(string(m.key), "no such key: leave it out")
			}
		}
	}
	o.r.objects = nil
	if len(o.r.fields) == 0 {
		return nil
	}
	return fault.New(fault.InvalidInput, "The input is not usable as it stands.", o.r.fields...)
}

// find marks the key as asked for and gives its value, or nil.
func (o *Object) find(key string) *node {
	if o.dead {
		return nil
	}
	m := o.n.of.find(key)
	if m == nil {
		return nil
	}
	m.asked = true
	return &m.value
}

// need is find for a required key. The words are made only when they are needed.
func (o *Object) need(key string, want func() string) *node {
	n := o.find(key)
	if n == nil && !o.dead {
		o.Reject(key, "missing: "+want())
	}
	return n
}

// say makes words of what is at hand.
func say(want string) func() string { return func() string { return want } }

// Bool reads a required true or false.
func (o *Object) Bool(key string) bool {
	if n := o.need(key, say("true or false")); n != nil {
		return o.bool(key, n)
	}
	return false
}

// OptBool reads true or false, or gives absent where the key is not there.
func (o *Object) OptBool(key string, absent bool) bool {
	if n := o.find(key); n != nil {
		return o.bool(key, n)
	}
	return absent
}

func (o *Object) bool(key string, n *node) bool {
	if n.kind != boolean {
		o.Reject(key, "true or false")
	}
	return n.raw[0] == 't'
}

// Object reads a required nested object.
func (o *Object) Object(key string) *Object {
	n := o.need(key, say("an object"))
	if n == nil {
		return &Object{r: o.r, path: o.Path(key), dead: true}
	}
	return o.r.open(n, o.Path(key))
}

// OptObject reads a nested object that may be absent; the second value says whether the key was there.
func (o *Object) OptObject(key string) (*Object, bool) {
	if n := o.find(key); n != nil {
		return o.r.open(n, o.Path(key)), true
	}
	return &Object{r: o.r, path: o.Path(key), dead: true}, false
}

func (r *reading) open(n *node, path string) *Object {
	o := &Object{r: r, n: n, path: path}
	if n.kind != object {
		r.reject(path, "an object")
		o.n, o.dead = nil, true
		return o
	}
	r.objects = append(r.objects, o)
	return o
}

// Keys lists the object's keys in the order they were written, without counting as reading them.
func (o *Object) Keys() []string {
	if o.dead {
		return nil
	}
	keys := make([]string, len(o.n.of.members))
	for i := range keys {
		keys[i] = string(o.n.of.members[i].key)
	}
	return keys
}

// Members reads an object used as a table: every key in the order written, with the object it holds.
func (o *Object) Members() iter.Seq2[string, *Object] {
	return func(yield func(string, *Object) bool) {
		for _, key := range o.Keys() {
			if !yield(key, o.Object(key)) {
				return
			}
		}
	}
}

// Raw reads a required value of any kind and leaves its reading to somebody else. The bytes are shared with the
// input.
func (o *Object) Raw(key string) json.RawMessage {
	if n := o.need(key, say("a value")); n != nil {
		return n.raw
	}
	return nil
}

// OptRaw is Raw for a key that may be absent.
func (o *Object) OptRaw(key string) json.RawMessage {
	if n := o.find(key); n != nil {
		return n.raw
	}
	return nil
}
