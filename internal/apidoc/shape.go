package apidoc

import (
	"strings"
)

// shape is a schema in words, with what stands inside it.
type shape struct {
	Words        string // such as "text of at most 60 characters"
	Link         string // the anchor of the schema it refers to
	LinkName     string
	Description  string
	Rows         []row    // members of an object
	Item         *shape   // of a list, or of a table by id
	Alternatives []*shape // any one of these
	Also         []string // conditions, as they are written
	Examples     []string
}

// row is one member.
type row struct {
	Name     string
	Optional bool
	Shape    *shape
}

// Inside reports whether there is more to show than words.
func (s *shape) Inside() bool {
	return len(s.Rows) > 0 || len(s.Alternatives) > 0 || len(s.Also) > 0 || s.Item != nil && (s.Item.Inside() || s.Item.Description != "")
}

// anchor names a definition of a file on the page.
func anchor(file, def string) string {
	name := "schema-" + strings.TrimSuffix(file, ".json")
	if def != "" {
		name += "-" + def
	}
	return name
}

// shapeOf puts a schema into words. file is the one it stands in, for references within it.
func shapeOf(file string, v node) *shape {
	s := &shape{Description: v.text("description")}
	if ref := v.text("$ref"); ref != "" {
		s.refer(file, ref)
	}
	s.words(v)
	required := map[string]bool{}
	for _, key := range v.at("required").items() {
		required[key.n.Value] = true
	}
	for name, each := range v.at("properties").members() {
		s.Rows = append(s.Rows, row{Name: name, Optional: !required[name], Shape: shapeOf(file, each)})
	}
	for _, key := range []string{"items", "additionalProperties"} {
		if inner := v.at(key); inner.n != nil && inner.n.Value != "false" {
			s.Item = shapeOf(file, inner)
		}
	}
	for _, key := range []string{"oneOf", "anyOf"} {
		for _, each := range v.at(key).items() {
			s.Alternatives = append(s.Alternatives, shapeOf(file, each))
		}
	}
	for _, each := range v.at("allOf").items() {
		if ref := each.text("$ref"); ref != "" {
			s.refer(file, ref)
		} else {
			s.Also = append(s.Also, each.json())
		}
	}
	for _, key := range []string{"if", "then", "else", "not", "dependentRequired", "propertyNames"} {
		if v.has(key) {
			s.Also = append(s.Also, quoted(key)+": "+v.at(key).json())
		}
	}
	for _, e := range v.at("examples").items() {
		s.Examples = append(s.Examples, e.json())
	}
	return s
}

// refer makes the shape point to another one on the page.
func (s *shape) refer(file, ref string) {
	name, pointer, _ := strings.Cut(strings.TrimPrefix(ref, "schema/"), "#")
	if name == "" {
		name = file
	}
	def, inDefs := strings.CutPrefix(pointer, "/$defs/")
	def, _, _ = strings.Cut(def, "/")
	switch {
	case inDefs:
		s.Link, s.LinkName = anchor(name, def), def
	case strings.HasPrefix(pointer, "/components/"):
		s.LinkName = pointer[strings.LastIndex(pointer, "/")+1:]
		s.Link = "rows"
	default:
		s.Link, s.LinkName = anchor(name, ""), name
	}
}

// words says what type of value it is and within which limits.
func (s *shape) words(v node) {
	var parts []string
	say := func(text string) { parts = append(parts, text) }
	typ := v.at("type")
	types := map[string]string{
		"object": "object", "array": "list", "string": "text", "integer": "whole number", "number": "number",
		"boolean": "true or false", "null": "null",
	}
	switch {
	case v.has("const"):
		say(v.at("const").json())
	case v.has("enum"):
		var words []string
		for _, each := range v.at("enum").items() {
			words = append(words, each.json())
		}
		say("one of " + strings.Join(words, ", "))
	case len(typ.items()) > 0:
		var words []string
		for _, each := range typ.items() {
			words = append(words, types[each.n.Value])
		}
		say(strings.Join(words, " or "))
	case typ.n != nil && typ.n.Value == "object" && v.has("properties"):
		// Its members say so.
	case typ.n != nil:
		say(types[typ.n.Value])
	}
	for _, limit := range [][2]string{
		{"minimum", "from %"}, {"exclusiveMinimum", "above %"}, {"maximum", "to %"},
		{"minLength", "at least % characters"}, {"maxLength", "at most % characters"}, {"pattern", "as %"}, {"format", "(%)"},
		{"minItems", "at least % items"}, {"maxItems", "at most % items"}, {"minProperties", "at least % members"},
		{"maxProperties", "at most % members"}, {"default", "% if left out"},
	} {
		if at := v.text(limit[0]); at != "" && (limit[0] != "minLength" || at != "1") {
			text := strings.Replace(limit[1], "%", at, 1)
			if limit[0] == "default" && len(parts) > 0 {
				parts[len(parts)-1] += ","
			}
			say(text)
		}
	}
	if v.text("uniqueItems") == "true" {
		say("each once")
	}
	s.Words = strings.Join(parts, " ")
}
