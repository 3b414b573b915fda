package vehicle

import (
	"slices"
	"strings"
)

// Difference is how the trouble codes after the work differ from those before it.
type Difference struct {
	Gone  []Found `json:"gone"`  // before only
	Still []Found `json:"still"` // before and after
	New   []Found `json:"new"`   // after only
}

// Found is a code with its status, before and after, where they are known.
type Found struct {
	Code   string  `json:"code"`
	Before *Status `json:"before,omitempty"`
	After  *Status `json:"after,omitempty"`
	// Untested says that the control unit has not finished its own test since the codes were cleared: what the code's
	// status says now is no proof either way.
	Untested bool `json:"untested,omitempty"`
}

// Reported is a code as a scan holds it.
type Reported struct {
	Code   Code
	Status *Status // nil: not known
}

// Differ compares by code and failure type. A code that one scan gives without its failure type is taken for the same
// fault as one of the other with the same first two bytes: a fault is not called gone because less was written down.
// Each list is in order of the codes.
func Differ(before, after []Reported) Difference {
	d := Difference{Gone: []Found{}, Still: []Found{}, New: []Found{}}
	left := slices.Clone(after)
	var unmatched []Reported
	take := func(b Reported, same func(a Code) bool) bool {
		i := slices.IndexFunc(left, func(a Reported) bool { return same(a.Code) })
		if i < 0 {
			return false
		}
		a := left[i]
		left = slices.Delete(left, i, i+1)
		code := a.Code
		if !code.Long {
			code = b.Code
		}
		d.Still = append(d.Still, found(code, b.Status, a.Status))
		return true
	}
	for _, b := range before {
		if !take(b, func(a Code) bool { return a == b.Code }) {
			unmatched = append(unmatched, b)
		}
	}
	for _, b := range unmatched {
		loose := func(a Code) bool { return a.Fault == b.Code.Fault && a.Long != b.Code.Long }
		if !take(b, loose) {
			d.Gone = append(d.Gone, found(b.Code, b.Status, nil))
		}
	}
	for _, a := range left {
		d.New = append(d.New, found(a.Code, nil, a.Status))
	}
	for _, list := range [][]Found{d.Gone, d.Still, d.New} {
		slices.SortStableFunc(list, func(a, b Found) int { return strings.Compare(a.Code, b.Code) })
	}
	return d
}

func found(c Code, before, after *Status) Found {
	return Found{Code: c.String(), Before: before, After: after, Untested: after != nil && *after&NotTestedSinceClear != 0}
}
