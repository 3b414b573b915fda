// Package yamljson turns one YAML document, as people write it, into JSON for the strict decoders, and keeps where each
// value stood so that a fault can be found by its line.
//
// Only what JSON can say is taken: mappings with text keys, lists, texts, numbers as JSON writes them, true and false.
// Anchors and aliases, merge keys, tags, null, a second document, and a key given twice are refused; so is input that is
// too large or nests too deep. A day such as 2027-03-31 is a text. JSON is YAML, so a JSON document passes as it is.
//
// The package holds no state.
package yamljson

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"readback/internal/fault"
	"readback/internal/strict"
)

// MaxBytes is the largest document that is read.
const MaxBytes = 256 << 10

// Document is a document turned into JSON.
type Document struct {
	JSON  json.RawMessage
	lines map[string]int // by path, as package strict names it
}

// Convert reads one document. What is wrong with it as YAML is one *fault.Error that lists every fault with its line.
func Convert(raw []byte) (Document, error) {
	if len(raw) > MaxBytes {
		return Document{}, fault.New(fault.TooLarge, fmt.Sprintf("A document is at most %d KiB.", MaxBytes>>10))
	}
	var root, more yaml.Node
	d := yaml.NewDecoder(bytes.NewReader(raw))
	if err := decode(d, &root); err != nil {
		if errors.Is(err, io.EOF) {
			return Document{}, fault.New(fault.Malformed, "The document is empty.")
		}
		return Document{}, fault.New(fault.Malformed, "This is not YAML.").Because(err)
	}
	if err := decode(d, &more); !errors.Is(err, io.EOF) {
		return Document{}, fault.New(fault.Malformed, "There is more than one document: put each in a file of its own.")
	}
	c := converter{lines: map[string]int{}}
	c.value(root.Content[0], "", 0)
	if len(c.faults) > 0 {
		return Document{}, fault.New(fault.InvalidInput, "The document is not usable as it stands.", c.faults...)
	}
	return Document{JSON: c.out.Bytes(), lines: c.lines}, nil
}

// decode reads the next document. The library panics on some broken input that it should refuse.
func decode(d *yaml.Decoder, into *yaml.Node) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("yaml: %v", r)
		}
	}()
	return d.Decode(into)
}

// Locate adds the line to each field of a refusal of the JSON. What is missing is looked for where it should stand.
func (d Document) Locate(err error) error {
	var e *fault.Error
	if !errors.As(err, &e) || len(e.Fields) == 0 {
		return err
	}
	fields := make([]fault.Field, len(e.Fields))
	for i, f := range e.Fields {
		fields[i] = fault.Field{Name: f.Name + " (line " + strconv.Itoa(d.line(f.Name)) + ")", Want: f.Want}
	}
	return fault.New(e.Slug, e.Detail, fields...).Because(e.Unwrap())
}

// line is that of the value at the path, or of what is around it.
func (d Document) line(path string) int {
	for {
		if n, ok := d.lines[path]; ok {
			return n
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut <= 0 {
			return max(d.lines[""], 1)
		}
		path = path[:cut]
	}
}

type converter struct {
	out    bytes.Buffer
	lines  map[string]int
	faults []fault.Field
}

func (c *converter) reject(n *yaml.Node, path, want string) {
	if len(c.faults) < strict.MaxFields {
		where := "line " + strconv.Itoa(n.Line)
		if path != "" {
			where = path + " (" + where + ")"
		}
		c.faults = append(c.faults, fault.Field{Name: where, Want: want})
	}
}

// number is a number as JSON writes it (RFC 8259, section 6).
var number = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

func (c *converter) value(n *yaml.Node, path string, depth int) {
	c.lines[path] = n.Line
	switch {
	case depth > strict.MaxDepth:
		c.reject(n, path, fmt.Sprintf("nesting of at most %d levels", strict.MaxDepth))
	case n.Kind == yaml.AliasNode || n.Anchor != "":
		c.reject(n, path, "the value itself: anchors (&) and aliases (*) are not taken")
	case n.Style&yaml.TaggedStyle != 0:
		c.reject(n, path, "the value without a tag (!)")
	case n.Kind == yaml.MappingNode:
		c.mapping(n, path, depth)
	case n.Kind == yaml.SequenceNode:
		c.out.WriteByte('[')
		for i, each := range n.Content {
			if i > 0 {
				c.out.WriteByte(',')
			}
			c.value(each, path+"["+strconv.Itoa(i)+"]", depth+1)
		}
		c.out.WriteByte(']')
	default:
		c.scalar(n, path)
	}
}

func (c *converter) mapping(n *yaml.Node, path string, depth int) {
	c.out.WriteByte('{')
	seen := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		at := key.Value
		if path != "" {
			at = path + "." + key.Value
		}
		switch before, twice := seen[key.Value]; {
		case key.Kind != yaml.ScalarNode || key.ShortTag() != "!!str" || key.Anchor != "" || key.Style&yaml.TaggedStyle != 0:
			c.reject(key, path, "a text as key; quote it if it is meant as one")
			continue
		case twice:
			c.reject(key, at, "given once: it stands in line "+strconv.Itoa(before)+" already")
			continue
		}
		if len(seen) > 0 {
			c.out.WriteByte(',')
		}
		seen[key.Value] = key.Line
		c.text(key.Value)
		c.out.WriteByte(':')
		c.value(value, at, depth+1)
		c.lines[at] = key.Line // a list begins a line later than its key
	}
	c.out.WriteByte('}')
}

func (c *converter) scalar(n *yaml.Node, path string) {
	switch n.ShortTag() {
	case "!!str", "!!timestamp":
		c.text(n.Value)
	case "!!bool":
		c.out.WriteString(strings.ToLower(n.Value))
	case "!!int", "!!float":
		if !number.MatchString(n.Value) {
			c.reject(n, path, "a number as 12 or -0.5, or quotes around it if it is a text")
		}
		c.out.WriteString(n.Value)
	case "!!null":
		c.reject(n, path, "a value: leave the key out if there is none")
	default:
		c.reject(n, path, "a text, a number, true or false")
	}
}

func (c *converter) text(s string) {
	raw, err := json.Marshal(s)
	if err != nil {
		panic("yamljson: a string that is no JSON") // cannot be: any string is
	}
	c.out.Write(raw)
}
