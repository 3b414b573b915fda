package vehicle

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"readback/internal/fault"
)

// column is one column of an alignment file.
type column struct {
	name string
	unit angleUnit // of an angle, else empty
}

// The columns there are.
const (
	wheelColumn    = "wheel"
	toeColumn      = "toe"
	camberColumn   = "camber"
	casterColumn   = "caster"
	thrustColumn   = "thrust"
	positiveColumn = "positive"
	diameterColumn = "diameter"
	whenColumn     = "when"
)

// columnUnits lists what each column may be in.
var columnUnits = map[string][]angleUnit{
	wheelColumn: nil, positiveColumn: nil, whenColumn: nil,
	toeColumn:    {inDegrees, inMinutes, inMM},
	camberColumn: {inDegrees, inMinutes}, casterColumn: {inDegrees, inMinutes}, thrustColumn: {inDegrees, inMinutes},
	diameterColumn: {inMM},
}

// unitNames are the ways in which people write a unit.
var unitNames = map[string]angleUnit{
	"deg": inDegrees, "°": inDegrees, "degree": inDegrees, "degrees": inDegrees,
	"min": inMinutes, "'": inMinutes, "′": inMinutes, "minute": inMinutes, "minutes": inMinutes,
	"mm": inMM,
}

// axleRow holds what is the whole car's; the other rows are wheels.
const axleRow = "rear_axle"

// rowNames are the ways in which a row is named, blanks and dashes taken for underscores.
var rowNames = map[string]string{
	"front_left": "front_left", "fl": "front_left", "front_right": "front_right", "fr": "front_right",
	"rear_left": "rear_left", "rl": "rear_left", "rear_right": "rear_right", "rr": "rear_right",
	"rear_axle": axleRow,
}

// readCSV reads a header line and a line for each wheel. Cells are parted by semicolons, tabs or commas, whichever the
// header has, and decimals by a point or a comma.
func readCSV(raw []byte) ([]Measured, error) {
	text, err := csvText(raw)
	if err != nil {
		return nil, err
	}
	// Some spreadsheets put a line of their own in front that names the separator.
	skipped := 0
	if first, rest, _ := strings.Cut(text, "\n"); strings.HasPrefix(first, "sep=") {
		text, skipped = rest, 1
	}
	r := csv.NewReader(strings.NewReader(text))
	r.Comma, r.FieldsPerRecord = separator(text), -1
	r.TrimLeadingSpace = r.Comma != '\t' // which would be trimmed, and with it an empty cell
	header, err := r.Read()
	if err != nil {
		return nil, csvFault(err)
	}
	var f faults
	columns := f.columns(header)
	if err := f.err(); err != nil {
		return nil, err
	}
	var drafts []draft
	seen := map[string]bool{}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, csvFault(err)
		}
		at, _ := r.FieldPos(0)
		line := "line " + strconv.Itoa(at+skipped)
		if empty(row) {
			continue
		}
		f.row(line, columns, row, &drafts, seen)
	}
	if len(drafts) == 0 && len(f) == 0 {
		f.add("file", "a line for each wheel below the header")
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	return f.finish(drafts)
}

// csvText gives the file's text. Spreadsheets save a degree sign in Latin-1, too.
func csvText(raw []byte) (string, error) {
	raw = bytes.TrimPrefix(raw, []byte("\ufeff"))
	if bytes.IndexByte(raw, 0) >= 0 {
		return "", fault.New(fault.Malformed, "This is no text file in UTF-8: save it as CSV in UTF-8.")
	}
	if utf8.Valid(raw) {
		return string(raw), nil
	}
	runes := make([]rune, len(raw))
	for i, b := range raw {
		runes[i] = rune(b)
	}
	return string(runes), nil
}

// separator is what parts the cells of the first line.
func separator(text string) rune {
	first, _, _ := strings.Cut(text, "\n")
	for _, c := range []rune{';', '\t'} {
		if strings.ContainsRune(first, c) {
			return c
		}
	}
	return ','
}

func csvFault(err error) error {
	if errors.Is(err, io.EOF) {
		return fault.New(fault.Malformed, "The file is empty.")
	}
	var p *csv.ParseError
	if errors.As(err, &p) {
		return fault.New(fault.Malformed, "The file is not readable as CSV.",
			fault.Field{Name: "line " + strconv.Itoa(p.Line), Want: "cells with their quotes closed: " + p.Err.Error()})
	}
	return fault.New(fault.Malformed, "The file is not readable as CSV.").Because(err)
}

func empty(row []string) bool {
	return !slices.ContainsFunc(row, func(cell string) bool { return strings.TrimSpace(cell) != "" })
}

// columns reads the header: a name and, for an angle or a diameter, its unit, as in "toe [mm]", "toe (mm)" or "toe mm".
func (f *faults) columns(header []string) []column {
	var out []column
	for _, cell := range header {
		words := strings.FieldsFunc(strings.ToLower(cell), func(r rune) bool { return strings.ContainsRune(" []()_", r) })
		c := column{}
		units, known := []angleUnit(nil), false
		if len(words) > 0 {
			c.name = words[0]
			units, known = columnUnits[c.name]
		}
		switch {
		case !known:
			f.add("header, "+shortened(cell), "one of the columns wheel, when, toe, camber, caster, diameter, thrust, positive")
		case slices.ContainsFunc(out, func(o column) bool { return o.name == c.name }):
			f.add("header, "+shortened(cell), "each column once")
		case units == nil && len(words) == 1:
		case units != nil && len(words) == 2 && slices.Contains(units, unitNames[words[1]]):
			c.unit = unitNames[words[1]]
		case units == nil:
			f.add("header, "+shortened(cell), c.name+" without a unit")
		default:
			f.add("header, "+shortened(cell), c.name+" with its unit, as in "+c.name+" ["+string(units[0])+"]: one of "+joined(units))
		}
		out = append(out, c)
	}
	if len(*f) == 0 && !slices.ContainsFunc(out, func(c column) bool { return c.name == wheelColumn }) {
		f.add("header", "a column wheel")
	}
	return out
}

func joined(units []angleUnit) string {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = string(u)
	}
	return strings.Join(names, ", ")
}

// row reads one line into the alignment that it belongs to.
func (f *faults) row(line string, columns []column, row []string, drafts *[]draft, seen map[string]bool) {
	if len(row) != len(columns) {
		f.add(line, strconv.Itoa(len(columns))+" cells as the header has, not "+strconv.Itoa(len(row))+
			": where commas part the cells, decimals need a point or quotes")
		return
	}
	cells := map[string]string{}
	units := map[string]angleUnit{}
	for i, c := range columns {
		cells[c.name], units[c.name] = strings.TrimSpace(row[i]), c.unit
	}
	name := rowNames[strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(cells[wheelColumn]))]
	if name == "" {
		f.add(line+", wheel", "front left, front right, rear left, rear right or rear axle")
		return
	}
	when := When(strings.ToLower(cells[whenColumn]))
	if when != "" && when != Before && when != After {
		f.add(line+", when", "before, after, or nothing")
		return
	}
	key := name + " " + string(when)
	if seen[key] {
		f.add(line+", wheel", "each wheel once, or once before and once after")
		return
	}
	seen[key] = true
	i := slices.IndexFunc(*drafts, func(d draft) bool { return d.when == when })
	if i < 0 {
		if len(*drafts) == 2 {
			f.add(line+", when", "before or after on every line, or on none")
			return
		}
		*drafts = append(*drafts, draft{name: line, thrustName: line, when: when})
		i = len(*drafts) - 1
	}
	d := &(*drafts)[i]
	if name == axleRow {
		f.axle(line, cells, units, d)
		return
	}
	f.wheel(line, slices.Index(wheelKeys[:], name), cells, units, d)
}

// axle reads the line that says the thrust angle.
func (f *faults) axle(line string, cells map[string]string, units map[string]angleUnit, d *draft) {
	for _, c := range []string{toeColumn, camberColumn, casterColumn, diameterColumn} {
		if cells[c] != "" {
			f.add(line+", "+c, "nothing here: it is each wheel's own")
		}
	}
	d.thrustName = line + ", thrust"
	if text := cells[thrustColumn]; text != "" {
		d.thrust = f.angle(d.thrustName, text, units[thrustColumn], decimal{}, mostThrust)
	}
	switch side := Side(strings.ToLower(cells[positiveColumn])); side {
	case "", ToLeft, ToRight:
		d.positive = side
	default:
		f.add(line+", positive", "left or right: the side to which the aligner counts a positive thrust angle")
	}
}

func (f *faults) wheel(line string, i int, cells map[string]string, units map[string]angleUnit, d *draft) {
	for _, c := range []string{thrustColumn, positiveColumn} {
		if cells[c] != "" {
			f.add(line+", "+c, "nothing here: it stands in the line of the rear axle")
		}
	}
	var diameter decimal
	if text := cells[diameterColumn]; text != "" {
		var ok bool
		if diameter, ok = parseDecimal(text); !ok || !isDiameter(diameter) {
			f.add(line+", diameter", wantDiameter)
			return
		}
	}
	w := &d.wheels[i]
	if text := cells[toeColumn]; text != "" {
		w.toe = f.angle(line+", toe", text, units[toeColumn], diameter, mostToe)
	}
	if text := cells[camberColumn]; text != "" {
		w.camber = f.angle(line+", camber", text, units[camberColumn], decimal{}, mostCamber)
	}
	switch text := cells[casterColumn]; {
	case text == "":
	case i >= rearLeft:
		f.add(line+", caster", "nothing here: a rear wheel has no steering axis that is measured")
	default:
		w.caster = f.angle(line+", caster", text, units[casterColumn], decimal{}, mostCaster)
	}
}
