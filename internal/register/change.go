package register

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
)

// A change names the thing by "id" and takes the keys that adding it takes. What is left out stays as it is. Whoever
// relied on the thing sees that it changed, also if only its name did, so a change that changes nothing is refused.

// thing is what is found by a name that people say.
type thing interface {
	label() string // "" where the name is sealed and cannot be compared
	inUse() bool
}

func (b Bay) label() string        { return b.Name }
func (b Bay) inUse() bool          { return b.Active }
func (i Instrument) label() string { return i.Name }
func (i Instrument) inUse() bool   { return i.Active }
func (f Fixture) label() string    { return f.Name }
func (f Fixture) inUse() bool      { return f.Active }
func (d Dimensions) label() string { return d.Type }
func (d Dimensions) inUse() bool   { return d.Active }
func (p Procedure) label() string  { return p.title }
func (p Procedure) inUse() bool    { return p.Active }
func (w Webhook) label() string    { return "" }
func (w Webhook) inUse() bool      { return w.Active }
func (i Interface) label() string  { return i.Name }
func (i Interface) inUse() bool    { return i.Active }
func (m Member) label() string     { return "" }
func (m Member) inUse() bool       { return m.Active }

// spoken is a name as it sounds: capitals and the width of gaps cannot be heard.
func spoken(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// nameFree refuses a name that another thing of the kind has, of those in use.
func nameFree[T thing](s shelf[T], name string, but stream.ID, key, what string) error {
	if name == "" {
		return nil
	}
	for id, k := range s {
		if id != but && k.value.inUse() && spoken(k.value.label()) == spoken(name) {
			return fault.New(fault.AlreadyThere, "Another "+what+" in use has this name.",
				fault.Field{Name: "data." + key, Want: "a name that no other " + what + " in use has"})
		}
	}
	return nil
}

// known refuses what is not there, and what is retired.
func known[T thing](s shelf[T], id stream.ID, key, what string) error {
	k, ok := s[id]
	switch {
	case !ok:
		return missing(key, what)
	case !k.value.inUse():
		return gone(key, what)
	}
	return nil
}

// changeable refuses a change that changes nothing, and those that known and nameFree refuse.
func changeable[T thing](s shelf[T], id stream.ID, nameKey, what string, change func(T) T) error {
	if err := known(s, id, "id", what); err != nil {
		return err
	}
	was := s[id].value
	next := change(was)
	if alike(was, next) {
		return unchanged()
	}
	return nameFree(s, next.label(), id, nameKey, what)
}

// alike compares things as their facts are written.
func alike(a, b any) bool {
	was, err := json.Marshal(a)
	is, err2 := json.Marshal(b)
	return err == nil && err2 == nil && string(was) == string(is)
}

func unchanged() error {
	return fault.New(fault.AlreadyThere, "It is so already: nothing would change.",
		fault.Field{Name: "data", Want: "a value that differs from the one that stands"})
}

// some asks for at least one of the keys of a change.
func (in intake) some(keys ...string) {
	if !slices.ContainsFunc(keys, in.Has) {
		in.Reject(keys[0], "missing: at least one of "+strings.Join(keys, ", "))
	}
}

// maybe reads a text that a change may leave out.
func (in intake) maybe(key string, most int) *string {
	if !in.Has(key) {
		return nil
	}
	text := in.String(key, most)
	return &text
}

// or is the new value of a text, or the one before.
func or(text *string, was string) string {
	if text == nil {
		return was
	}
	return *text
}

// Commands lists the commands in order of their names.
func Commands() []string { return slices.Sorted(maps.Keys(commands)) }

// Entries lists the types of entry in order of their names.
func Entries() []string {
	var all []string
	for _, c := range commands {
		all = append(all, c.entry)
	}
	return slices.Sorted(slices.Values(all))
}
