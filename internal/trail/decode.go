package trail

import (
	"fmt"
	"time"

	"readback/internal/stream"
)

// Decode reads a record back into its entry, and refuses one whose columns or hash do not agree with its body. The
// entry shares the record's memory.
func Decode(r Record) (stream.Entry, error) {
	e, err := DecodeBody(r.Body)
	if err != nil {
		return stream.Entry{}, fmt.Errorf("entry %d of %s: %w", r.Seq, r.Ref(), err)
	}
	if err := Agree(r, e); err != nil {
		return stream.Entry{}, err
	}
	if Sum(r.Prev, r.Body) != r.Hash {
		return stream.Entry{}, fmt.Errorf("entry %d of %s does not have the hash recorded for it", r.Seq, r.Ref())
	}
	e.Prev, e.Hash = r.Prev, r.Hash
	return e, nil
}

// Agree reports a column of the record that does not say what the entry in its body says, or nil.
func Agree(r Record, e stream.Entry) error {
	column := ""
	switch {
	case r.Ref() != e.Stream:
		column = "stream"
	case r.Seq != e.Seq:
		column = "seq"
	case r.Type != e.Type:
		column = "type"
	case r.V != e.V:
		column = "v"
	case !r.At.Equal(e.At):
		column = "at"
	case r.Actor != e.By.Member:
		column = "actor"
	case r.CommandID != e.Command.ID:
		column = "command id"
	default:
		return nil
	}
	return fmt.Errorf("entry %d of %s: the column %s does not say what the body says", r.Seq, r.Ref(), column)
}

// DecodeBody reads the body of an entry. It accepts exactly what Encode writes: whatever it accepts, Encode gives back
// byte for byte. Prev and Hash are not in a body and stay zero. The entry shares the body's memory.
func DecodeBody(body []byte) (stream.Entry, error) {
	if len(body) > MaxBody {
		return stream.Entry{}, fmt.Errorf("a body of %d bytes: want at most %d", len(body), MaxBody)
	}
	s := scanner{src: body}
	var e stream.Entry
	if !s.entry(&e) {
		return stream.Entry{}, fmt.Errorf("at byte %d of the body: want %s", s.pos, s.want)
	}
	// What one member alone cannot show, such as the first entry being the one that opens. The hash before is not in
	// the body, so it is given as it must be.
	if e.Seq > 1 {
		e.Prev = stream.Hash{1}
	}
	if err := sound(e); err != nil {
		return stream.Entry{}, err
	}
	e.Prev = stream.Hash{}
	return e, nil
}

func (s *scanner) entry(e *stream.Entry) bool {
	ok := s.lit(`{"at":`) && s.time(&e.At) &&
		s.lit(`,"by":{"member":`) && s.id(&e.By.Member) &&
		s.lit(`,"org":`) && s.id(&e.By.Org) &&
		s.lit(`,"role":`) && name(s, &e.By.Role) &&
		s.lit(`},"command":{"base":`) && s.count(&e.Command.Base) &&
		s.lit(`,"data":`) && s.raw((*[]byte)(&e.Command.Data), true) &&
		s.lit(`,"id":`) && s.id(&e.Command.ID) &&
		s.lit(`,"mac":`) && s.mac(&e.MAC) &&
		s.lit(`,"type":`) && name(s, &e.Command.Type) &&
		s.lit(`},"decided":`) && s.raw((*[]byte)(&e.Decided), true) &&
		s.lit(`,"facts":[`) && s.facts(&e.Facts)
	if ok && s.has(`,"opens":{`) {
		e.Opens = &stream.Opens{}
		ok = s.opens(e.Opens)
	}
	ok = ok && s.lit(`,"seq":`) && s.count(&e.Seq) &&
		s.lit(`,"stream":`) && s.ref(&e.Stream) &&
		s.lit(`,"type":`) && name(s, &e.Type) &&
		s.lit(`,"v":`) && s.version(&e.V) && s.lit(`}`)
	if ok && s.pos < len(s.src) {
		return s.fail("the end")
	}
	return ok
}

func (s *scanner) facts(facts *[]stream.Fact) bool {
	if s.has("]") {
		return true
	}
	for {
		var f stream.Fact
		if !(s.lit(`{"hash":`) && s.hash(&f.Hash) &&
			s.lit(`,"name":`) && s.free(&f.Key.Name) &&
			s.lit(`,"seq":`) && s.count(&f.Seq) &&
			s.lit(`,"stream":`) && s.ref(&f.Key.Stream) &&
			s.lit(`,"value":`) && s.raw((*[]byte)(&f.Value), false) && s.lit(`}`)) {
			return false
		}
		*facts = append(*facts, f)
		if s.has("]") {
			return true
		}
		if !s.lit(",") {
			return false
		}
	}
}

func (s *scanner) opens(o *stream.Opens) bool {
	if s.has(`"commitment":`) {
		o.Key, o.Commitment = &stream.ID{}, &stream.Hash{}
		if !s.hash(o.Commitment) || !s.lit(`,"key":`) || !s.id(o.Key) || !s.lit(",") {
			return false
		}
	}
	return s.lit(`"rules":`) && s.version(&o.Rules) && s.lit(`}`)
}

func (s *scanner) ref(r *stream.Ref) bool {
	return s.lit(`{"id":`) && s.id(&r.ID) && s.lit(`,"kind":`) && name(s, &r.Kind) && s.lit(`}`)
}

// raw takes one canonical value as it stands.
func (s *scanner) raw(v *[]byte, object bool) bool {
	if object && s.peek() != '{' {
		return s.fail("an object")
	}
	from := s.pos
	if !s.value(0) {
		return false
	}
	*v = s.src[from:s.pos:s.pos]
	return true
}

// free takes a string of any characters.
func (s *scanner) free(v *string) bool {
	from := s.pos
	if !s.text() {
		return false
	}
	*v = plain(s.src[from:s.pos])
	return true
}

// name takes a kebab-case word; sound looks at its characters.
func name[T ~string](s *scanner, v *T) bool {
	from := s.pos
	if !s.text() {
		return false
	}
	*v = T(s.src[from+1 : s.pos-1])
	return true
}

func (s *scanner) count(v *uint64) bool {
	n, ok := s.integer()
	if ok && n < 0 {
		return s.fail("a count")
	}
	*v = uint64(n)
	return ok
}

func (s *scanner) version(v *int) bool {
	n, ok := s.integer()
	*v = int(n)
	return ok
}

func (s *scanner) id(v *stream.ID) bool {
	const want = "a UUID in lower case"
	if !s.lit(`"`) || len(s.src)-s.pos < 37 {
		return s.fail(want)
	}
	at := s.src[s.pos : s.pos+36]
	for i, j := 0, 0; i < len(v); i, j = i+1, j+2 {
		switch i {
		case 4, 6, 8, 10:
			if at[j] != '-' {
				return s.fail(want)
			}
			j++
		}
		high, low := hexDigit(at[j]), hexDigit(at[j+1])
		if high|low > 15 {
			return s.fail(want)
		}
		v[i] = high<<4 | low
	}
	s.pos += 36
	return s.lit(`"`)
}

func (s *scanner) hash(v *stream.Hash) bool {
	const want = "64 hexadecimal digits in lower case"
	if !s.lit(`"`) || len(s.src)-s.pos < 65 {
		return s.fail(want)
	}
	at := s.src[s.pos : s.pos+64]
	for i := range v {
		high, low := hexDigit(at[2*i]), hexDigit(at[2*i+1])
		if high|low > 15 {
			return s.fail(want)
		}
		v[i] = high<<4 | low
	}
	s.pos += 64
	return s.lit(`"`)
}

// hexDigit is the value of a lower-case digit, 255 for anything else.
func hexDigit(c byte) byte {
	switch {
	case c >= '0' && c <= '9':
		return c - '0'
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10
	}
	return 255
}

func (s *scanner) mac(v *[]byte) bool {
	const want, size = "43 characters of base64url", 43
	if !s.lit(`"`) || len(s.src)-s.pos < size {
		return s.fail(want)
	}
	got := make([]byte, macSize)
	at := s.src[s.pos : s.pos+size]
	for _, c := range at {
		if c == '\r' || c == '\n' {
			return s.fail(want) // the decoder would pass over them
		}
	}
	if _, err := base64url.Decode(got, at); err != nil {
		return s.fail(want)
	}
	*v = got
	s.pos += size
	return s.lit(`"`)
}

func (s *scanner) time(v *time.Time) bool {
	const want = "a time such as 2026-11-25T10:20:30.123Z"
	if !s.lit(`"`) || len(s.src)-s.pos < len(timeForm) {
		return s.fail(want)
	}
	at := s.src[s.pos : s.pos+len(timeForm)]
	digits := func(from, to int) int {
		n := 0
		for _, c := range at[from:to] {
			n = n*10 + int(c-'0')
		}
		return n
	}
	// Digits and ranges need no check of their own: the time must come out as it went in.
	t := time.Date(digits(0, 4), time.Month(digits(5, 7)), digits(8, 10),
		digits(11, 13), digits(14, 16), digits(17, 19), digits(20, 23)*1e6, time.UTC)
	var back [len(timeForm)]byte
	if year := t.Year(); year < 0 || year > 9999 || string(appendTime(back[:0], t)) != string(at) {
		return s.fail(want)
	}
	*v = t
	s.pos += len(timeForm)
	return s.lit(`"`)
}
