package proof

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// different says in what two canonical values differ, or nothing. Under keys in computed, amounts may differ by one unit.
func different(recorded, again []byte, computed map[string]bool) string {
	if bytes.Equal(recorded, again) {
		return ""
	}
	decode := func(raw []byte) (v any) {
		d := json.NewDecoder(bytes.NewReader(raw))
		d.UseNumber()
		if d.Decode(&v) != nil {
			return nil
		}
		return v
	}
	return unlike("", decode(recorded), decode(again), place{}, computed)
}

// place is what the keys on the way to a value say of it. Only a computed amount may have been rounded otherwise: a
// number of something, such as a reading or a degree of freedom, is never off by one.
type place struct{ computed, amount bool }

func (p place) under(key string, computed map[string]bool) place {
	unit := key[strings.LastIndexByte(key, '_')+1:]
	return place{p.computed || computed[key], p.amount || unit == "um" || unit == "udeg" || unit == "ppm"}
}

func unlike(path string, recorded, again any, in place, computed map[string]bool) string {
	switch r := recorded.(type) {
	case map[string]any:
		a, ok := again.(map[string]any)
		if !ok {
			break
		}
		both := maps.Clone(r)
		maps.Copy(both, a)
		for _, key := range slices.Sorted(maps.Keys(both)) {
			at := key
			if path != "" {
				at = path + "." + key
			}
			rv, inR := r[key]
			av, inA := a[key]
			switch {
			case !inR:
				return at + " is missing"
			case !inA:
				return at + " is too much"
			}
			if why := unlike(at, rv, av, in.under(key, computed), computed); why != "" {
				return why
			}
		}
		return ""
	case []any:
		a, ok := again.([]any)
		if !ok {
			break
		}
		if len(r) != len(a) {
			return fmt.Sprintf("%s has %d elements, not %d", path, len(r), len(a))
		}
		for i := range r {
			if why := unlike(fmt.Sprintf("%s[%d]", path, i), r[i], a[i], in, computed); why != "" {
				return why
			}
		}
		return ""
	case json.Number:
		a, ok := again.(json.Number)
		if !ok {
			break
		}
		if r == a {
			return ""
		}
		rn, errR := r.Int64()
		an, errA := a.Int64()
		if in.computed && in.amount && errR == nil && errA == nil && rn-an <= 1 && an-rn <= 1 {
			return ""
		}
	default:
		if recorded == again {
			return ""
		}
	}
	return fmt.Sprintf("%s is recorded as %s and comes out as %s", path, short(recorded), short(again))
}

// short writes a value for a message.
func short(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return "something else"
	}
	if len(b) > 60 {
		return string(bytes.ToValidUTF8(b[:60], nil)) + "…"
	}
	return string(b)
}
