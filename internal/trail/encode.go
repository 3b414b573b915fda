package trail

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"

	"readback/internal/fault"
	"readback/internal/stream"
)

const (
	timeForm    = "2006-01-02T15:04:05.000Z"
	maxName     = 64  // characters of a kind, a role or a type
	maxFactName = 256 // bytes
	macSize     = 32
)

var base64url = base64.RawURLEncoding.Strict()

// Encode gives the record of an entry: its canonical body, and its hash after e.Prev. The data, facts and decision may
// come in any spelling of JSON; a value in the command's data that the trail cannot keep is refused with a *fault.Error
// that names it, anything else wrong is our own mistake.
func Encode(e stream.Entry) (Record, error) {
	if err := sound(e); err != nil {
		return Record{}, fmt.Errorf("encode entry %d of %s: %w", e.Seq, e.Stream, err)
	}
	size := 640 + len(e.Command.Data) + len(e.Decided)
	for _, f := range e.Facts {
		size += 256 + len(f.Value)
	}
	b := make([]byte, 0, size)

	b = append(b, `{"at":"`...)
	b = appendTime(b, e.At)
	b = append(b, `","by":{"member":`...)
	b = appendID(b, e.By.Member)
	b = append(b, `,"org":`...)
	b = appendID(b, e.By.Org)
	b = append(b, `,"role":"`...)
	b = append(b, e.By.Role...)
	b = append(b, `"},"command":{"base":`...)
	b = strconv.AppendUint(b, e.Command.Base, 10)
	b = append(b, `,"data":`...)
	b, err := appendObject(b, e.Command.Data)
	if err != nil {
		return Record{}, inside("data", err)
	}
	b = append(b, `,"id":`...)
	b = appendID(b, e.Command.ID)
	b = append(b, `,"mac":"`...)
	b = base64url.AppendEncode(b, e.MAC)
	b = append(b, `","type":"`...)
	b = append(b, e.Command.Type...)
	b = append(b, `"},"decided":`...)
	if b, err = appendObject(b, e.Decided); err != nil {
		return Record{}, ours(e, "what was decided", err)
	}
	b = append(b, `,"facts":[`...)
	for i, f := range e.Facts {
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, `{"hash":"`...)
		b = appendHash(b, f.Hash)
		b = append(b, `","name":`...)
		b = appendString(b, f.Key.Name)
		b = append(b, `,"seq":`...)
		b = strconv.AppendUint(b, f.Seq, 10)
		b = append(b, `,"stream":`...)
		b = appendRef(b, f.Key.Stream)
		b = append(b, `,"value":`...)
		if b, err = appendCanonical(b, f.Value); err != nil {
			return Record{}, ours(e, "fact "+f.Key.String(), err)
		}
		b = append(b, '}')
	}
	b = append(b, ']')
	if o := e.Opens; o != nil {
		b = append(b, `,"opens":{`...)
		if o.Key != nil {
			b = append(b, `"commitment":"`...)
			b = appendHash(b, *o.Commitment)
			b = append(b, `","key":`...)
			b = appendID(b, *o.Key)
			b = append(b, ',')
		}
		b = append(b, `"rules":`...)
		b = strconv.AppendInt(b, int64(o.Rules), 10)
		b = append(b, '}')
	}
	b = append(b, `,"seq":`...)
	b = strconv.AppendUint(b, e.Seq, 10)
	b = append(b, `,"stream":`...)
	b = appendRef(b, e.Stream)
	b = append(b, `,"type":"`...)
	b = append(b, e.Type...)
	b = append(b, `","v":`...)
	b = strconv.AppendInt(b, int64(e.V), 10)
	b = append(b, '}')

	if len(b) > MaxBody {
		return Record{}, fault.New(fault.TooLarge, fmt.Sprintf("This would make an entry of %d bytes; at most %d are kept.", len(b), MaxBody))
	}
	return Record{
		Stream: e.Stream.ID, Seq: e.Seq, Kind: e.Stream.Kind, Type: e.Type, V: e.V, At: e.At, Actor: e.By.Member,
		CommandID: e.Command.ID, Body: b, Prev: e.Prev, Hash: Sum(e.Prev, b),
	}, nil
}

// sound checks all of an entry but the JSON values in it.
func sound(e stream.Entry) error {
	switch {
	case !isName(string(e.Stream.Kind)):
		return fmt.Errorf("kind %q: want lower-case letters, digits and hyphens", e.Stream.Kind)
	case !isName(e.Type):
		return fmt.Errorf("type %q: want lower-case letters, digits and hyphens", e.Type)
	case !isName(string(e.By.Role)):
		return fmt.Errorf("role %q: want lower-case letters, digits and hyphens", e.By.Role)
	case !isName(e.Command.Type):
		return fmt.Errorf("command type %q: want lower-case letters, digits and hyphens", e.Command.Type)
	case e.Seq == 0 || e.Seq > maxInteger:
		return errors.New("sequence numbers go from 1 to 2^53-1")
	case e.Command.Base >= e.Seq:
		return fmt.Errorf("base %d: want the number of an entry before", e.Command.Base)
	case e.V < 1 || int64(e.V) > maxInteger:
		return fmt.Errorf("version %d: want 1 or more", e.V)
	case !e.At.Equal(Moment(e.At)) || e.At.Location() != time.UTC || e.At.Year() < 1970 || e.At.Year() > 9999:
		return fmt.Errorf("time %v: want UTC in whole milliseconds (see Moment)", e.At)
	case len(e.MAC) != macSize:
		return fmt.Errorf("a MAC of %d bytes: want %d", len(e.MAC), macSize)
	case (e.Seq == 1) != (e.Opens != nil):
		return errors.New("the first entry opens the stream, and only the first")
	case (e.Seq == 1) != (e.Prev == stream.Hash{}):
		return errors.New("the first entry follows the zero hash, and only the first")
	case e.Opens != nil && (e.Opens.Key == nil) != (e.Opens.Commitment == nil):
		return errors.New("a key and the commitment to it stand together")
	case e.Opens != nil && (e.Opens.Rules < 1 || int64(e.Opens.Rules) > maxInteger):
		return fmt.Errorf("rules %d: want 1 or more", e.Opens.Rules)
	}
	for i, f := range e.Facts {
		switch n := f.Key.Name; {
		case !isName(string(f.Key.Stream.Kind)):
			return fmt.Errorf("fact %s: kind %q: want lower-case letters, digits and hyphens", f.Key, f.Key.Stream.Kind)
		case n == "" || len(n) > maxFactName || !utf8.ValidString(n):
			return fmt.Errorf("fact %q: want a name of 1 to %d bytes in UTF-8", n, maxFactName)
		case f.Seq == 0 || f.Seq > maxInteger:
			return fmt.Errorf("fact %s: sequence numbers go from 1 to 2^53-1", f.Key)
		case repeated(e.Facts, i):
			return fmt.Errorf("fact %s: want each once", f.Key)
		}
	}
	return nil
}

// repeated reports that fact i has the key of one before it. The lists are short.
func repeated(facts []stream.Fact, i int) bool {
	for _, f := range facts[:i] {
		if f.Key == facts[i].Key {
			return true
		}
	}
	return false
}

// isName reports whether s is a kebab-case word.
func isName(s string) bool {
	if s == "" || len(s) > maxName || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	for i := 1; i < len(s); i++ {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

// inside puts the name of the part before the fields of a refusal.
func inside(part string, err error) error {
	f := fault.Of(err)
	fields := make([]fault.Field, len(f.Fields))
	for i, each := range f.Fields {
		fields[i] = fault.Field{Name: part + "." + each.Name, Want: each.Want}
		if each.Name == wholeValue {
			fields[i].Name = part
		}
	}
	return fault.New(f.Slug, f.Detail, fields...)
}

// ours makes an internal fault of a refusal that the sender of the command cannot have caused.
func ours(e stream.Entry, part string, err error) error {
	return fmt.Errorf("encode entry %d of %s: %s: %s", e.Seq, e.Stream, part, err.Error())
}

func appendObject(b, raw []byte) ([]byte, error) {
	start := len(b)
	b, err := appendCanonical(b, raw)
	if err == nil && b[start] != '{' {
		err = fault.Badly(wholeValue, "an object")
	}
	return b, err
}

// appendTime writes a sound time in timeForm. AppendFormat would take most of the time it takes to decode an entry.
func appendTime(b []byte, t time.Time) []byte {
	digits := func(n, places int) {
		b = append(b, "0000"[:places]...)
		for i := len(b) - 1; n > 0; i-- {
			b[i] = byte('0' + n%10)
			n /= 10
		}
	}
	year, month, day := t.Date()
	hour, minute, second := t.Clock()
	for _, part := range [...]struct {
		n, places int
		end       byte
	}{
		{year, 4, '-'}, {int(month), 2, '-'}, {day, 2, 'T'},
		{hour, 2, ':'}, {minute, 2, ':'}, {second, 2, '.'}, {t.Nanosecond() / 1e6, 3, 'Z'},
	} {
		digits(part.n, part.places)
		b = append(b, part.end)
	}
	return b
}

func appendID(b []byte, id stream.ID) []byte {
	return append(stream.AppendID(append(b, '"'), id), '"')
}

func appendHash(b []byte, h stream.Hash) []byte { return hex.AppendEncode(b, h[:]) }

func appendRef(b []byte, r stream.Ref) []byte {
	b = append(b, `{"id":`...)
	b = appendID(b, r.ID)
	b = append(b, `,"kind":"`...)
	b = append(b, r.Kind...)
	return append(b, `"}`...)
}
