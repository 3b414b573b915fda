package trail

import (
	"bytes"
	"encoding/hex"
	"slices"
	"unicode/utf16"
	"unicode/utf8"
)

func (w *rewriter) text() *flaw {
	w.pos++
	w.out = append(w.out, '"')
	for w.pos < len(w.src) {
		c := w.src[w.pos]
		switch {
		case c == '"':
			w.pos++
			w.out = append(w.out, '"')
			return nil
		case c < 0x20:
			return w.syntax("control characters escaped")
		case c == '\\':
			r, f := w.escape()
			if f != nil {
				return f
			}
			w.out = appendRune(w.out, r)
		case c < utf8.RuneSelf:
			w.pos++
			w.out = append(w.out, c)
		default:
			r, n := utf8.DecodeRune(w.src[w.pos:])
			if r == utf8.RuneError && n == 1 {
				return w.syntax("valid UTF-8")
			}
			w.out = append(w.out, w.src[w.pos:w.pos+n]...)
			w.pos += n
		}
	}
	return w.syntax("a closing quote")
}

// escape reads one escape sequence, or two that are a surrogate pair.
func (w *rewriter) escape() (rune, *flaw) {
	if w.pos+1 >= len(w.src) {
		return 0, w.syntax("an escape sequence")
	}
	c := w.src[w.pos+1]
	if c != 'u' {
		const from, to = `"\/bfnrt`, "\"\\/\b\f\n\r\t"
		i := bytes.IndexByte([]byte(from), c)
		if i < 0 {
			return 0, w.syntax("an escape sequence")
		}
		w.pos += 2
		return rune(to[i]), nil
	}
	r, ok := w.unit()
	if !ok {
		return 0, w.syntax("four hexadecimal digits after \\u")
	}
	if !utf16.IsSurrogate(r) {
		return r, nil
	}
	if low, ok := w.unit(); ok {
		if pair := utf16.DecodeRune(r, low); pair != utf8.RuneError {
			return pair, nil
		}
	}
	return 0, w.syntax("surrogates in pairs")
}

// unit reads \uXXXX.
func (w *rewriter) unit() (rune, bool) {
	if len(w.src)-w.pos < 6 || w.src[w.pos] != '\\' || w.src[w.pos+1] != 'u' {
		return 0, false
	}
	var b [2]byte
	if _, err := hex.Decode(b[:], w.src[w.pos+2:w.pos+6]); err != nil {
		return 0, false
	}
	w.pos += 6
	return rune(b[0])<<8 | rune(b[1]), true
}

// appendString appends s as a canonical string. s must be valid UTF-8.
func appendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	for _, r := range s {
		dst = appendRune(dst, r)
	}
	return append(dst, '"')
}

// appendRune appends a character as it stands inside a canonical string (RFC 8785, 3.2.2.2).
func appendRune(dst []byte, r rune) []byte {
	switch r {
	case '"', '\\':
		return append(dst, '\\', byte(r))
	case '\b':
		return append(dst, '\\', 'b')
	case '\f':
		return append(dst, '\\', 'f')
	case '\n':
		return append(dst, '\\', 'n')
	case '\r':
		return append(dst, '\\', 'r')
	case '\t':
		return append(dst, '\\', 't')
	}
	if r < 0x20 {
		const digits = "0123456789abcdef"
		return append(dst, '\\', 'u', '0', '0', digits[r>>4], digits[r&15])
	}
	return utf8.AppendRune(dst, r)
}

// compareKeys orders canonical strings, quotes included, by the UTF-16 code units of what they say (RFC 8785, 3.2.3).
func compareKeys(a, b []byte) int {
	a, b = a[1:len(a)-1], b[1:len(b)-1]
	if simple(a) && simple(b) {
		return bytes.Compare(a, b)
	}
	return slices.Compare(utf16.Encode([]rune(unescape(a))), utf16.Encode([]rune(unescape(b))))
}

// simple reports that bytes compare as UTF-16 code units do.
func simple(s []byte) bool {
	for _, c := range s {
		if c == '\\' || c >= utf8.RuneSelf {
			return false
		}
	}
	return true
}

// plain is what a canonical string, quotes included, says.
func plain(quoted []byte) string { return unescape(quoted[1 : len(quoted)-1]) }

// unescape undoes the canonical escapes, which are the only ones here.
func unescape(s []byte) string {
	if bytes.IndexByte(s, '\\') < 0 {
		return string(s)
	}
	out := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			out = append(out, s[i])
			continue
		}
		i++
		switch s[i] {
		case 'u':
			var b [2]byte
			hex.Decode(b[:], s[i+1:i+5])
			out = append(out, b[1]) // canonical escapes of this form are controls
			i += 4
		case 'b':
			out = append(out, '\b')
		case 'f':
			out = append(out, '\f')
		case 'n':
			out = append(out, '\n')
		case 'r':
			out = append(out, '\r')
		case 't':
			out = append(out, '\t')
		default:
			out = append(out, s[i])
		}
	}
	return string(out)
}
