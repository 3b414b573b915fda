package apidoc

import (
	"encoding/json"
	"html/template"
	"iter"
	"regexp"
	"strings"

	"go.yaml.in/yaml/v3"
)

// node is a place in a description, in the order it was written. Of what is not there everything is empty.
type node struct{ n *yaml.Node }

func (v node) at(key string) node {
	for k, each := range v.members() {
		if k == key {
			return each
		}
	}
	return node{}
}

func (v node) has(key string) bool { return v.at(key).n != nil }

func (v node) text(key string) string {
	if at := v.at(key); at.n != nil && at.n.Kind == yaml.ScalarNode {
		return strings.TrimSpace(at.n.Value)
	}
	return ""
}

func (v node) members() iter.Seq2[string, node] {
	return func(yield func(string, node) bool) {
		if v.n == nil || v.n.Kind != yaml.MappingNode {
			return
		}
		for i := 0; i+1 < len(v.n.Content); i += 2 {
			if !yield(v.n.Content[i].Value, node{v.n.Content[i+1]}) {
				return
			}
		}
	}
}

func (v node) items() (all []node) {
	if v.n != nil && v.n.Kind == yaml.SequenceNode {
		for _, each := range v.n.Content {
			all = append(all, node{each})
		}
	}
	return all
}

// words are the texts of a list.
func (v node) words() (all []string) {
	for _, each := range v.items() {
		all = append(all, each.n.Value)
	}
	return all
}

// resolve follows a reference into the document v, if ref is one.
func (v node) resolve(ref node) node {
	to, inside := strings.CutPrefix(ref.text("$ref"), "#/")
	if !inside {
		return ref
	}
	at := v
	for key := range strings.SplitSeq(to, "/") {
		at = at.at(key)
	}
	return at
}

// json writes the value on one line, or indented if that would be long.
func (v node) json() string {
	var flat, b strings.Builder
	if v.write(&flat, ""); flat.Len() <= 110 {
		return flat.String()
	}
	v.write(&b, "\n")
	return b.String()
}

// write leaves everything on one line if newline is empty.
func (v node) write(b *strings.Builder, newline string) {
	inner, comma, next := newline+"  ", "", ","
	if newline == "" {
		inner, next = "", ", "
	}
	switch v.n.Kind {
	case yaml.MappingNode:
		b.WriteString("{")
		for key, each := range v.members() {
			b.WriteString(comma + inner + quoted(key) + ": ")
			each.write(b, inner)
			comma = next
		}
		if comma != "" {
			b.WriteString(newline)
		}
		b.WriteString("}")
	case yaml.SequenceNode:
		b.WriteString("[")
		for _, each := range v.items() {
			b.WriteString(comma + inner)
			each.write(b, inner)
			comma = next
		}
		if comma != "" {
			b.WriteString(newline)
		}
		b.WriteString("]")
	default:
		if v.n.Tag == "!!str" {
			b.WriteString(quoted(v.n.Value))
		} else {
			b.WriteString(v.n.Value)
		}
	}
}

func quoted(s string) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string always encodes
	return strings.TrimSuffix(b.String(), "\n")
}

var (
	codes  = regexp.MustCompile("`([^`]+)`")
	strong = regexp.MustCompile(`\*\*([^*]+)\*\*`)
)

// prose shows paragraphs, `code` and **strong**, which is all of Markdown that the descriptions use.
func prose(text string) template.HTML {
	var b strings.Builder
	for paragraph := range strings.SplitSeq(strings.TrimSpace(text), "\n\n") {
		if paragraph == "" {
			continue
		}
		s := template.HTMLEscapeString(paragraph)
		s = codes.ReplaceAllString(s, "<code>$1</code>")
		s = strong.ReplaceAllString(s, "<strong>$1</strong>")
		b.WriteString("<p>" + s + "</p>")
	}
	return template.HTML(b.String()) // escaped above
}
