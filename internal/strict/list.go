package strict

import (
	"strconv"
)

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
