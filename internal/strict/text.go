package strict

import (
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
