package strict

import (
	"encoding/json"
	"strconv"
	"strings"
)

type kind uint8

const (
	null kind = iota
	boolean
	number
	text
	object
	list
)

// node is one JSON value as it was written. What is made of it is made when it is asked for.
type node struct {
	kind kind
	raw  []byte  // its bytes, shared with the input
	of   *fields // of an object
	list []node  // of a list
}

// fields are the members of an object. Most have few, which then stand with them.
type fields struct {
	members []member
	places  map[string]int // of the members, once there are more than few
	first   [4]member
}

type member struct {
	key   []byte
	asked bool
	value node
}

// text is the value of a string.
func (n *node) text() string { return string(unquoted(n.raw)) }

// written is a number as it stands there.
func (n *node) written() string { return string(n.raw) }

// few members are found faster by looking at each than through a map.
const few = 16

func (f *fields) add(m member) {
	f.members = append(f.members, m)
	switch {
	case f.places != nil:
		f.places[string(m.key)] = len(f.members) - 1
	case len(f.members) > few:
		f.places = make(map[string]int, 4*few)
		for i := range f.members {
			f.places[string(f.members[i].key)] = i
		}
	}
}

func (f *fields) find(key string) *member {
	if f.places != nil {
		if i, ok := f.places[key]; ok {
			return &f.members[i]
		}
		return nil
	}
	for i := range f.members {
		if string(f.members[i].key) == key {
			return &f.members[i]
		}
	}
	return nil
}

// walk goes over input that is known to be valid JSON, so it looks at nothing but the structure.
type walk struct {
	raw    []byte
	at     int
	over   string // the limit that is passed, in words; nothing is read after it
	path   string
	around []step // the keys and places of what is being read, to name a duplicate
	r      *reading
}

// step is a key of an object, or a place in a list.
type step struct {
	key []byte // nil: a place
	at  int
}

func (w *walk) space() {
	for w.at < len(w.raw) && (w.raw[w.at] == ' ' || w.raw[w.at] == '\n' || w.raw[w.at] == '\t' || w.raw[w.at] == '\r') {
		w.at++
	}
}

// value reads the value that starts here and the space after it.
func (w *walk) value() node {
	var n node
	start := w.at
	switch w.raw[w.at] {
	case '{':
		n.kind, n.of = object, w.members()
	case '[':
		n.kind, n.list = list, w.items()
	case '"':
		n.kind = text
		w.string()
	case 't', 'f', 'n':
		n.kind = boolean
		if w.raw[w.at] == 'n' {
			n.kind = null
		}
		for w.at < len(w.raw) && 'a' <= w.raw[w.at] && w.raw[w.at] <= 'z' {
			w.at++
		}
	default:
		n.kind = number
		for w.at < len(w.raw) && strings.IndexByte("+-.0123456789Ee", w.raw[w.at]) >= 0 {
			w.at++
		}
	}
	n.raw = w.raw[start:w.at:w.at]
	w.space()
	return n
}

// enter passes an opening bracket, unless it is one too many.
func (w *walk) enter() {
	if len(w.around) >= MaxDepth {
		w.over = "The input nests deeper than " + strconv.Itoa(MaxDepth) + " levels."
		return
	}
	w.at++
	w.space()
}

// more goes to the next element, or passes the closing bracket if there is none.
func (w *walk) more(end byte) bool {
	if w.over != "" {
		return false
	}
	if w.raw[w.at] == ',' {
		w.at++
		w.space()
	}
	if w.raw[w.at] == end {
		w.at++
		return false
	}
	return true
}

func (w *walk) items() (all []node) {
	for w.enter(); w.more(']'); {
		w.around = append(w.around, step{at: len(all)})
		all = append(all, w.value())
		w.around = w.around[:len(w.around)-1]
	}
	return all
}

// members reads an object. A duplicate is noted and its second value dropped.
func (w *walk) members() *fields {
	f := &fields{}
	f.members = f.first[:0]
	for w.enter(); w.more('}'); {
		key := unquoted(w.string())
		w.space()
		w.at++ // the colon
		w.space()
		w.around = append(w.around, step{key: key})
		v := w.value()
		switch {
		case f.find(string(key)) != nil:
			if !w.r.full() { // the path may be long, and the faults many
				w.r.reject(w.here(), "given once")
			}
		case len(f.members) == MaxMembers:
			w.over = "The input has an object of more than " + strconv.Itoa(MaxMembers) + " members."
		default:
			f.add(member{key: key, value: v})
		}
		w.around = w.around[:len(w.around)-1]
	}
	return f
}

// here is the path of the value being read.
func (w *walk) here() string {
	path := w.path
	for _, s := range w.around {
		if s.key == nil {
			path = index(path, s.at)
		} else {
			path = join(path, string(s.key))
		}
	}
	return path
}

// string passes the string that starts here and gives it with its quotes.
func (w *walk) string() []byte {
	start := w.at
	for w.at++; w.raw[w.at] != '"'; w.at++ {
		if w.raw[w.at] == '\\' {
			w.at++
		}
	}
	w.at++
	return w.raw[start:w.at:w.at]
}

// unquoted is what a string of valid JSON says, never nil. It shares the input where nothing is escaped.
func unquoted(quoted []byte) []byte {
	plain := quoted[1 : len(quoted)-1]
	for _, c := range plain {
		if c == '\\' {
			var s string
			if err := json.Unmarshal(quoted, &s); err != nil {
				return []byte{} // cannot be: the input is valid
			}
			return []byte(s)
		}
	}
	return plain
}
