package strict

import (
	"encoding/json"
	"iter"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

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

// Range bounds a number, both ends included unless Above is set. Unit is for the message only.
type Range struct {
	Min, Max float64
	Unit     string
	Above    bool // Min itself is refused
}

func (g Range) holds(v float64) bool {
	return v <= g.Max && (v > g.Min || v == g.Min && !g.Above)
}

func (g Range) want() string {
	unit := ""
	if g.Unit != "" {
		unit = " " + g.Unit
	}
	if g.Above {
		return "a number above " + short(g.Min) + " and up to " + short(g.Max) + unit
	}
	return "a number from " + short(g.Min) + " to " + short(g.Max) + unit
}

func short(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

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

// Float reads a required number.
func (o *Object) Float(key string, g Range) float64 {
	if n := o.need(key, g.want); n != nil {
		return o.float(key, n, g)
	}
	return 0
}

// OptFloat reads a number that may be absent; the second value says whether it was there.
func (o *Object) OptFloat(key string, g Range) (float64, bool) {
	if n := o.find(key); n != nil {
		return o.float(key, n, g), true
	}
	return 0, false
}

func (o *Object) float(key string, n *node, g Range) float64 {
	if n.kind == number {
		v, err := strconv.ParseFloat(n.written(), 64)
		if err == nil && !math.IsInf(v, 0) && g.holds(v) {
			return v + 0 // a written -0 is 0
		}
	}
	o.Reject(key, g.want())
	return 0
}

// Int reads a required whole number from low to high. 12.0 and 1e2 are not whole numbers as written.
func (o *Object) Int(key string, low, high int64) int64 {
	if n := o.need(key, func() string { return wantInt(low, high) }); n != nil {
		return o.int(key, n, low, high)
	}
	return 0
}

// OptInt reads a whole number that may be absent.
func (o *Object) OptInt(key string, low, high int64) (int64, bool) {
	if n := o.find(key); n != nil {
		return o.int(key, n, low, high), true
	}
	return 0, false
}

func (o *Object) int(key string, n *node, low, high int64) int64 {
	if n.kind == number {
		if v, err := strconv.ParseInt(n.written(), 10, 64); err == nil && low <= v && v <= high {
			return v
		}
	}
	o.Reject(key, wantInt(low, high))
	return 0
}

func wantInt(low, high int64) string {
	return "a whole number from " + strconv.FormatInt(low, 10) + " to " + strconv.FormatInt(high, 10)
}

// String reads a required string of 1 to most characters, without control characters.
func (o *Object) String(key string, most int) string {
	if n := o.need(key, func() string { return wantString(most) }); n != nil {
		return o.string(key, n, most)
	}
	return ""
}

// OptString reads a string that may be absent, otherwise as String.
func (o *Object) OptString(key string, most int) string {
	if n := o.find(key); n != nil {
		return o.string(key, n, most)
	}
	return ""
}

func (o *Object) string(key string, n *node, most int) string {
	if n.kind == text {
		if s := n.text(); Plain(s, most) {
			return s
		}
	}
	o.Reject(key, wantString(most))
	return ""
}

// Plain reports whether s has 1 to most characters and no control characters.
func Plain(s string, most int) bool {
	count := utf8.RuneCountInString(s)
	return count >= 1 && count <= most && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f })
}

func wantString(most int) string {
	return "a text of 1 to " + strconv.Itoa(most) + " characters"
}

// Text reads a required string of up to most characters that may be empty and may hold line breaks and tabs.
func (o *Object) Text(key string, most int) string {
	want := "a text of up to " + strconv.Itoa(most) + " characters"
	n := o.need(key, say(want))
	if n == nil {
		return ""
	}
	control := func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' || r == 0x7f }
	if n.kind == text {
		if s := n.text(); utf8.RuneCountInString(s) <= most && !strings.ContainsFunc(s, control) {
			return s
		}
	}
	o.Reject(key, want)
	return ""
}

// Paste reads a required string of 1 to most bytes as somebody pasted it, control characters and all.
func (o *Object) Paste(key string, most int) string {
	want := "a text of 1 to " + strconv.Itoa(most) + " bytes"
	n := o.need(key, say(want))
	if n == nil {
		return ""
	}
	if n.kind == text {
		if s := n.text(); s != "" && len(s) <= most {
			return s
		}
	}
	o.Reject(key, want)
	return ""
}

// Enum reads a required string that must be one of the allowed.
func (o *Object) Enum(key string, allowed ...string) string {
	if n := o.need(key, func() string { return wantEnum(allowed) }); n != nil {
		return o.enum(key, n, allowed)
	}
	return ""
}

// OptEnum reads one of the allowed strings, or gives absent where the key is not there.
func (o *Object) OptEnum(key, absent string, allowed ...string) string {
	if n := o.find(key); n != nil {
		return o.enum(key, n, allowed)
	}
	return absent
}

func (o *Object) enum(key string, n *node, allowed []string) string {
	if n.kind == text {
		said := unquoted(n.raw)
		for _, one := range allowed {
			if string(said) == one {
				return one
			}
		}
	}
	o.Reject(key, wantEnum(allowed))
	return ""
}

func wantEnum(allowed []string) string {
	if len(allowed) == 1 {
		return allowed[0]
	}
	return "one of " + strings.Join(allowed, ", ")
}

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

// Objects reads a required list of least to most objects.
func (o *Object) Objects(key string, least, most int) []*Object {
	return o.objects(key, o.need(key, func() string { return wantList("objects", least, most) }), least, most)
}

// OptObjects reads a list of objects that may be absent.
func (o *Object) OptObjects(key string, least, most int) []*Object {
	return o.objects(key, o.find(key), least, most)
}

func (o *Object) objects(key string, n *node, least, most int) []*Object {
	if n == nil || !o.sized(key, n, "objects", least, most) {
		return nil
	}
	all := make([]*Object, len(n.list))
	for i := range n.list {
		all[i] = o.r.open(&n.list[i], index(o.Path(key), i))
	}
	return all
}

// Strings reads a required list of least to most strings, each as String reads them with up to long characters.
func (o *Object) Strings(key string, least, most, long int) []string {
	return o.strings(key, o.need(key, func() string { return wantList("texts", least, most) }), least, most, long)
}

// OptStrings reads a list of strings that may be absent.
func (o *Object) OptStrings(key string, least, most, long int) []string {
	return o.strings(key, o.find(key), least, most, long)
}

func (o *Object) strings(key string, n *node, least, most, long int) []string {
	if n == nil || !o.sized(key, n, "texts", least, most) {
		return nil
	}
	all := make([]string, len(n.list))
	for i := range n.list {
		all[i] = o.string(index(key, i), &n.list[i], long)
	}
	return all
}

func (o *Object) sized(key string, n *node, what string, least, most int) bool {
	if n.kind == list && least <= len(n.list) && len(n.list) <= most {
		return true
	}
	o.Reject(key, wantList(what, least, most))
	return false
}

func wantList(what string, least, most int) string {
	return "a list of " + strconv.Itoa(least) + " to " + strconv.Itoa(most) + " " + what
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
