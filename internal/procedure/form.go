package procedure

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"readback/internal/quantity"
	"readback/internal/strict"
)

// form is one of the two ways to write a document.
type form int

const (
	authored form = iota // decimals, for people
	whole                // whole numbers, for the trail
)

// unit is a unit of a gate's figure in both forms. One authored unit is scale whole ones.
type unit struct {
	authored, whole string
	scale           int64
	least, most     int64 // in authored units
}

// units are the units there are. 1 bar is 1000 hPa exactly (SI: 1 bar = 100 kPa).
var units = []unit{
	{"mm", "um", 1e3, -100_000, 100_000},
	{"deg", "udeg", 1e6, -360, 360},
	{"V", "mV", 1e3, -1000, 1000},
	{"lx", "lx", 1, 0, 200_000},
	{"bar", "hPa", 1e3, -1, 20},
	{"C", "mC", 1e3, -100, 300},
	{"min", "min", 1, 0, 1_000_000},
	{"km", "km", 1, 0, 5_000_000},
}

// Units lists the units of figures in the whole form: micrometre, microdegree, millivolt, lux, hectopascal, thousandth of
// a degree Celsius, minute, kilometre.
func Units() []string {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.whole
	}
	return names
}

func (u unit) name(f form) string {
	if f == authored {
		return u.authored
	}
	return u.whole
}

// readUnit reads the unit of a figure. At fault it is the zero unit, in which every number is taken.
func readUnit(o *strict.Object, f form) unit {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = u.name(f)
	}
	got := o.Enum("unit", names...)
	for _, u := range units {
		if u.name(f) == got {
			return u
		}
	}
	return unit{}
}

// optional reads a number of the unit that may be absent, as a whole number.
func (u unit) optional(o *strict.Object, key string, f form) *int64 {
	if u.scale == 0 { // whatever it is, its unit is unknown
		o.OptRaw(key)
		return nil
	}
	if !o.Has(key) {
		return nil
	}
	factor := u.scale
	if f == authored {
		factor = 1
	}
	var v int64
	if f == authored && u.scale > 1 {
		d, _ := o.OptFloat(key, strict.Range{Min: float64(u.least), Max: float64(u.most), Unit: u.authored})
		v = int64(math.Round(d * float64(u.scale)))
	} else {
		v, _ = o.OptInt(key, u.least*factor, u.most*factor)
	}
	return &v
}

// say writes an amount in the form and with its unit.
func (u unit) say(amount int64, f form) string {
	if f == authored {
		return u.decimal(amount) + " " + u.authored
	}
	return strconv.FormatInt(amount, 10) + " " + u.whole
}

// decimal writes an amount in authored units, exactly: a scale is a power of ten.
func (u unit) decimal(amount int64) string {
	sign := ""
	if amount < 0 {
		sign, amount = "-", -amount
	}
	text := sign + strconv.FormatInt(amount/u.scale, 10)
	if rest := amount % u.scale; rest != 0 {
		places := len(strconv.FormatInt(u.scale, 10)) - 1
		text += "." + strings.TrimRight(fmt.Sprintf("%0*d", places, rest), "0")
	}
	return text
}

// unitOf is the unit by its name in the whole form.
func unitOf(name string) unit {
	for _, u := range units {
		if u.whole == name {
			return u
		}
	}
	return unit{name, name, 1, 0, 0}
}

// Say writes a range of the whole form for people: "12.5 V to 14.8 V", "at least 12.5 V".
func (r Range) Say(wholeUnit string) string {
	u := unitOf(wholeUnit)
	return r.spoken(func(amount int64) string { return u.say(amount, authored) })
}

func (r Range) spoken(amount func(int64) string) string {
	switch {
	case r.Lower != nil && r.Upper != nil:
		return amount(*r.Lower) + " to " + amount(*r.Upper)
	case r.Lower != nil:
		return "at least " + amount(*r.Lower)
	case r.Upper != nil:
		return "at most " + amount(*r.Upper)
	}
	return "any"
}

// Authored writes the document as people write it. Decode of that is the same Procedure.
func (p *Procedure) Authored() (json.RawMessage, error) {
	raw, err := json.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	decimal, err := quantity.ToDecimal(raw)
	if err != nil {
		return nil, err
	}
	var doc struct {
		Format json.RawMessage              `json:"format"`
		Title  json.RawMessage              `json:"title"`
		Sensor json.RawMessage              `json:"sensor"`
		Source json.RawMessage              `json:"source"`
		Gates  []map[string]json.RawMessage `json:"gates"`
		SetUps json.RawMessage              `json:"set_ups,omitempty"`
		Drive  json.RawMessage              `json:"drive,omitempty"`
	}
	if err := json.Unmarshal(decimal, &doc); err != nil {
		return nil, fmt.Errorf("write the procedure: %w", err)
	}
	for i, g := range p.Gates {
		if g.Value == nil {
			continue
		}
		if doc.Gates[i]["value"], err = json.Marshal(g.Value.authored()); err != nil {
			return nil, fmt.Errorf("write the procedure: %w", err)
		}
	}
	return json.Marshal(doc)
}

// authoredRange is a Range in decimals.
type authoredRange struct {
	Lower json.Number `json:"lower,omitempty"`
	Upper json.Number `json:"upper,omitempty"`
}

type authoredFigure struct {
	Unit string `json:"unit"`
	authoredRange
	Caution *authoredRange `json:"caution,omitempty"`
}

func (v Figure) authored() authoredFigure {
	u := unitOf(v.Unit)
	ends := func(r Range) (a authoredRange) {
		if r.Lower != nil {
			a.Lower = json.Number(u.decimal(*r.Lower))
		}
		if r.Upper != nil {
			a.Upper = json.Number(u.decimal(*r.Upper))
		}
		return a
	}
	out := authoredFigure{Unit: u.authored, authoredRange: ends(v.Range)}
	if v.Caution != nil {
		c := ends(*v.Caution)
		out.Caution = &c
	}
	return out
}
