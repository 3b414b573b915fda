package strict

import (
	"bytes"
	"strconv"
	"strings"
	"unicode/utf8"
)

// String reads a required string of 1 to most characters, without control characters.
func (o *Object) String(key string, most int) string {
	if n := o.need(key, func() string { return wantString(most) }); n != nil {
		return o.string(key, n, most)
	}
	return ""
}

// OptString reads a string that may be absent, otherwise as String.
func (o *Object) OptString(key string, most int) string {
	if n := o.find(key); n != nil {
		return o.string(key, n, most)
	}
	return ""
}

func (o *Object) string(key string, n *node, most int) string {
	if n.kind == text {
		if s := n.text(); Plain(s, most) {
			return s
		}
	}
	o.Reject(key, wantString(most))
	return ""
}

// Plain reports whether s has 1 to most characters and no control characters.
func Plain(s string, most int) bool {
	count := utf8.RuneCountInString(s)
	return count >= 1 && count <= most && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f })
}

func wantString(most int) string {
	return "a text of 1 to " + strconv.Itoa(most) + " characters"
}

// Text reads a required string of up to most characters that may be empty and may hold line breaks and tabs.
func (o *Object) Text(key string, most int) string {
	want := "a text of up to " + strconv.Itoa(most) + " characters"
	n := o.need(key, say(want))
	if n == nil {
		return ""
	}
	control := func(r rune) bool { return r < ' ' && r != '\n' && r != '\t' || r == 0x7f }
	if n.kind == text {
		if s := n.text(); utf8.RuneCountInString(s) <= most && !strings.ContainsFunc(s, control) {
			return s
		}
	}
	o.Reject(key, want)
	return ""
}

// Paste reads a required string of 1 to most bytes as somebody pasted it, control characters and all.
func (o *Object) Paste(key string, most int) string {
	want := "a text of 1 to " + strconv.Itoa(most) + " bytes"
	n := o.need(key, say(want))
	if n == nil {
		return ""
	}
	if n.kind == text {
		if s := n.text(); s != "" && len(s) <= most {
			return s
		}
	}
	o.Reject(key, want)
	return ""
}

// Enum reads a required string that must be one of the allowed.
func (o *Object) Enum(key string, allowed ...string) string {
	if n := o.need(key, func() string { return wantEnum(allowed) }); n != nil {
		return o.enum(key, n, allowed)
	}
	return ""
}

// OptEnum reads one of the allowed strings, or gives absent where the key is not there.
func (o *Object) OptEnum(key, absent string, allowed ...string) string {
	if n := o.find(key); n != nil {
		return o.enum(key, n, allowed)
	}
	return absent
}

func (o *Object) enum(key string, n *node, allowed []string) string {
	if n.kind == text {
		said := unquoted(n.raw)
		for _, one := range allowed {
			if string(said) == one {
				return one
			}
		}
	}
	o.Reject(key, wantEnum(allowed))
	return ""
}

func wantEnum(allowed []string) string {
	if len(allowed) == 1 {
		return allowed[0]
	}
	return "one of " + strings.Join(allowed, ", ")
}

// Reorders reports whether a character changes the order in which the text around it is shown: embeddings, overrides and
// isolates (Unicode Standard Annex 9, section 2). Text in any script is written without them; with one, the figures that stand
// behind it on a screen are read backwards.
func Reorders(r rune) bool { return r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 }

// InOrder notes each text below this object that holds a character which Reorders. It is for what comes in: what was taken
// before is read as it is.
func (o *Object) InOrder() {
	// Written out they begin with these two bytes; escaped, with a backslash.
	if o.dead || !bytes.Contains(o.n.raw, []byte("\xe2\x80")) && !bytes.Contains(o.n.raw, []byte("\xe2\x81")) && !bytes.Contains(o.n.raw, []byte(`\u`)) {
		return
	}
	o.r.inOrder(o.n, o.path)
}

func (r *reading) inOrder(n *node, path string) {
	switch n.kind {
	case text:
		if strings.ContainsFunc(n.text(), Reorders) {
			r.reject(path, "a text without characters that change the order in which others are read (U+202A to U+202E, U+2066 to U+2069)")
		}
	case list:
		for i := range n.list {
			r.inOrder(&n.list[i], index(path, i))
		}
	case object:
		for i := range n.of.members {
			r.inOrder(&n.of.members[i].value, join(path, string(n.of.members[i].key)))
		}
	}
}
