// Package quantity turns the one form of a measured value into the other. People and case files write decimals in
// millimetres and degrees (keys ending in _mm and _deg); commands and entries carry integers in micrometres and
// microdegrees (_um and _udeg), because the trail is hashed and integers have one spelling. The key's ending decides,
// for a number and for an object or list of numbers under it; everything else passes untouched. A key that already has
// the other form's ending is refused: otherwise a decimal would slip into the trail.
package quantity

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"readback/internal/fault"
)

// unit pairs the two spellings: one decimal unit is scale integer units.
type unit struct {
	decimal, integer string // endings of the key
	scale            float64
	places           int // decimal places that hold one integer unit
}

var units = []unit{
	{"_mm", "_um", 1e3, 3},
	{"_deg", "_udeg", 1e6, 6},
}

// most is the largest integer that every JSON reader keeps exactly (2⁵³ − 1).
const most = 1<<53 - 1

// ToInteger rewrites a decimal document: "height_mm": 1350.25 becomes "height_um": 1350250, rounded to the nearest unit.
func ToInteger(raw json.RawMessage) (json.RawMessage, error) {
	return rewrite(raw, func(u unit) (string, string) { return u.decimal, u.integer },
		func(u unit, n json.Number, path string) (json.Number, error) {
			f, err := n.Float64()
			if v := math.Round(f * u.scale); err == nil && math.Abs(v) <= most {
				return json.Number(strconv.FormatInt(int64(v), 10)), nil
			}
			return "", fault.Badly(path, "a number in the physical range")
		})
}

// ToDecimal rewrites an integer document: "height_um": 1350250 becomes "height_mm": 1350.25, exactly.
func ToDecimal(raw json.RawMessage) (json.RawMessage, error) {
	return rewrite(raw, func(u unit) (string, string) { return u.integer, u.decimal },
		func(u unit, n json.Number, path string) (json.Number, error) {
			v, err := strconv.ParseInt(n.String(), 10, 64)
			if err != nil || v > most || v < -most {
				return "", fault.Badly(path, "a whole number of micrometres or microdegrees")
			}
			return json.Number(decimal(v, u.places)), nil
		})
}

// decimal writes v·10^−places without a trailing zero.
func decimal(v int64, places int) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	s := fmt.Sprintf("%0*d", places+1, v)
	whole, part := s[:len(s)-places], strings.TrimRight(s[len(s)-places:], "0")
	if part == "" {
		if whole == "0" {
			return "0"
		}
		return sign + whole
	}
	return sign + whole + "." + part
}

// FaultInInteger renames the fields of a refusal of the decimal form to the keys of the integer form, which is what the
// sender wrote. prefix, if not empty, is put before every path.
func FaultInInteger(err error, prefix string) error {
	var e *fault.Error
	if !errors.As(err, &e) {
		return err
	}
	fields := make([]fault.Field, len(e.Fields))
	for i, f := range e.Fields {
		name := f.Name
		for _, u := range units {
			name = replaceEndings(name, u.decimal, u.integer)
		}
		if prefix != "" && name != "" {
			name = prefix + "." + name
		} else if prefix != "" {
			name = prefix
		}
		if name != f.Name && prefix+"."+f.Name != name {
			f.Want += " (sent as a whole number of micrometres or microdegrees)"
		}
		fields[i] = fault.Field{Name: name, Want: f.Want}
	}
	return fault.New(e.Slug, e.Detail, fields...).Because(e.Unwrap())
}

// replaceEndings replaces the ending of every key of a path.
func replaceEndings(path, from, to string) string {
	var b strings.Builder
	for len(path) > 0 {
		end := strings.IndexAny(path, ".[")
		key := path
		if end >= 0 {
			key = path[:end]
		}
		if strings.HasSuffix(key, from) {
			b.WriteString(strings.TrimSuffix(key, from) + to)
		} else {
			b.WriteString(key)
		}
		if end < 0 {
			break
		}
		b.WriteByte(path[end])
		path = path[end+1:]
	}
	return b.String()
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func rewrite(raw json.RawMessage, ends func(unit) (from, to string), number func(unit, json.Number, string) (json.Number, error)) (json.RawMessage, error) {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var doc any
	if err := d.Decode(&doc); err != nil {
		return nil, fault.New(fault.Malformed, "This is not JSON.").Because(err)
	}
	var walk func(v any, path string, in *unit) (any, error)
	walk = func(v any, path string, in *unit) (any, error) {
		switch v := v.(type) {
		case json.Number:
			if in == nil {
				return v, nil
			}
			return number(*in, v, path)
		case []any:
			for i := range v {
				got, err := walk(v[i], fmt.Sprintf("%s[%d]", path, i), in)
				if err != nil {
					return nil, err
				}
				v[i] = got
			}
			return v, nil
		case map[string]any:
			out := make(map[string]any, len(v))
			for k, val := range v {
				to, inside := k, in
				for _, u := range units {
					from, ending := ends(u)
					if strings.HasSuffix(k, from) {
						to, inside = strings.TrimSuffix(k, from)+ending, &u
						break
					}
					if stem, already := strings.CutSuffix(k, ending); already {
						return nil, fault.Badly(join(path, k), "no such key: this form has "+stem+from)
					}
				}
				at := join(path, k)
				if _, twice := out[to]; twice {
					return nil, fault.Badly(at, "the value in one unit only")
				}
				got, err := walk(val, at, inside)
				if err != nil {
					return nil, err
				}
				out[to] = got
			}
			return out, nil
		default:
			return v, nil
		}
	}
	out, err := walk(doc, "", nil)
	if err != nil {
		return nil, err
	}
	return json.Marshal(out)
}
