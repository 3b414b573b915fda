package trail

import (
	"unicode/utf8"
)

// scanner reads text that must already be canonical, without copying. Its methods return false at the first byte that
// is not as Encode would have written it; pos is then where and want what should have been there.
type scanner struct {
	src  []byte
	pos  int
	want string
}

func (s *scanner) fail(want string) bool {
	s.want = want
	return false
}

func (s *scanner) peek() byte {
	if s.pos < len(s.src) {
		return s.src[s.pos]
	}
	return 0
}

// lit reads exactly the given text.
func (s *scanner) lit(text string) bool {
	if len(s.src)-s.pos < len(text) || string(s.src[s.pos:s.pos+len(text)]) != text {
		return s.fail(text)
	}
	s.pos += len(text)
	return true
}

// has reads the given text if it is there.
func (s *scanner) has(text string) bool {
	if len(s.src)-s.pos < len(text) || string(s.src[s.pos:s.pos+len(text)]) != text {
		return false
	}
	s.pos += len(text)
	return true
}

// value passes one canonical value.
func (s *scanner) value(depth int) bool {
	if depth > MaxDepth {
		return s.fail("less nesting")
	}
	switch c := s.peek(); {
	case c == '"':
		return s.text()
	case c == '-' || c >= '0' && c <= '9':
		_, ok := s.integer()
		return ok
	case c == '{':
		return s.object(depth)
	case c == '[':
		return s.list(depth)
	case c == 't':
		return s.lit("true")
	case c == 'f':
		return s.lit("false")
	}
	return s.fail("a value")
}

func (s *scanner) object(depth int) bool {
	s.pos++
	if s.has("}") {
		return true
	}
	var last []byte
	for {
		if s.peek() != '"' {
			return s.fail("a key")
		}
		from := s.pos
		if !s.text() {
			return false
		}
		key := s.src[from:s.pos]
		if last != nil && compareKeys(last, key) >= 0 {
			s.pos = from
			return s.fail("keys in order, each once")
		}
		last = key
		if !s.lit(":") || !s.value(depth+1) {
			return false
		}
		if s.has("}") {
			return true
		}
		if !s.lit(",") {
			return false
		}
	}
}

func (s *scanner) list(depth int) bool {
	s.pos++
	if s.has("]") {
		return true
	}
	for {
		if !s.value(depth + 1) {
			return false
		}
		if s.has("]") {
			return true
		}
		if !s.lit(",") {
			return false
		}
	}
}

// text passes one canonical string with its quotes.
func (s *scanner) text() bool {
	if !s.lit(`"`) {
		return false
	}
	for s.pos < len(s.src) {
		c := s.src[s.pos]
		switch {
		case c == '"':
			s.pos++
			return true
		case c == '\\':
			if !s.escape() {
				return s.fail("a canonical escape")
			}
		case c < 0x20:
			return s.fail("an escaped control character")
		case c < utf8.RuneSelf:
			s.pos++
		default:
			r, n := utf8.DecodeRune(s.src[s.pos:])
			if r == utf8.RuneError && n == 1 {
				return s.fail("valid UTF-8")
			}
			s.pos += n
		}
	}
	return s.fail("a closing quote")
}

// escape passes one of the escapes that RFC 8785 leaves: the two-character forms, and \u00xx in lower case for the
// other controls.
func (s *scanner) escape() bool {
	rest := s.src[s.pos+1:]
	if len(rest) == 0 {
		return false
	}
	switch rest[0] {
	case '"', '\\', 'b', 'f', 'n', 'r', 't':
		s.pos += 2
		return true
	case 'u':
		if len(rest) < 5 || rest[1] != '0' || rest[2] != '0' || rest[3] != '0' && rest[3] != '1' {
			return false
		}
		low := rest[4]
		if low >= '0' && low <= '9' {
			low -= '0'
		} else if low >= 'a' && low <= 'f' {
			low -= 'a' - 10
		} else {
			return false
		}
		switch r := (rest[3]-'0')<<4 | low; r {
		case '\b', '\f', '\n', '\r', '\t':
			return false
		}
		s.pos += 6
		return true
	}
	return false
}

// integer passes a canonical integer and gives its value.
func (s *scanner) integer() (int64, bool) {
	const want = "a whole number of at most 2^53-1"
	from := s.pos
	negative := s.has("-")
	first := s.pos
	var n int64
	for s.pos < len(s.src) && s.src[s.pos] >= '0' && s.src[s.pos] <= '9' {
		if n = n*10 + int64(s.src[s.pos]-'0'); n > maxInteger {
			s.pos = from
			return 0, s.fail(want)
		}
		s.pos++
	}
	switch digits := s.pos - first; {
	case digits == 0, s.src[first] == '0' && (digits > 1 || negative):
		s.pos = from
		return 0, s.fail(want)
	}
	switch s.peek() {
	case '.', 'e', 'E':
		return 0, s.fail("a whole number without a fraction")
	}
	if negative {
		n = -n
	}
	return n, true
}
