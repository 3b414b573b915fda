package register

import (
	"encoding/json"
	"strings"
	"time"

	"readback/internal/fault"
	"readback/internal/quantity"
	"readback/internal/stream"
	"readback/internal/strict"
)

// intake reads the data of a command, or the same things out of an import document, which differ in two ways: the
// document is in millimetres and degrees, and may leave ids to the importer.
type intake struct {
	*strict.Object
	newID func() stream.ID // of an import only
}

func (in intake) importing() bool { return in.newID != nil }

// newcomer reads the id of a new thing.
func (in intake) newcomer() stream.ID {
	if in.importing() && !in.Has("id") {
		return in.newID()
	}
	return in.id("id")
}

// id reads a required id.
func (in intake) id(key string) stream.ID {
	text := in.String(key, 36)
	if text == "" {
		return stream.ID{} // said already
	}
	id, err := stream.ParseID(key, text)
	if err != nil {
		in.Reject(key, fault.Of(err).Fields[0].Want)
	}
	return id
}

// date reads a required day of the calendar, from 1990 to 2099.
func (in intake) date(key string) string {
	const want = "a day of the calendar written 2027-03-31, from 1990 to 2099"
	text := in.String(key, 10)
	if text == "" {
		return ""
	}
	day, err := time.Parse(time.DateOnly, text)
	if err != nil || day.Year() < 1990 || day.Year() > 2099 {
		in.Reject(key, want)
		return ""
	}
	return text
}

// ordered refuses a second day that does not come after the first. Dates as ISO 8601 sort as texts.
func (in intake) ordered(first, second, key, want string) {
	if first != "" && second != "" && second <= first {
		in.Reject(key, want+", which is "+first)
	}
}

// line reads a text that may be absent or empty.
func (in intake) line(key string, most int) string {
	if !in.Has(key) {
		return ""
	}
	text := in.Text(key, most)
	if strings.ContainsAny(text, "\n\t") {
		in.Reject(key, "one line")
	}
	return text
}

// printed reports whether the text is like what is printed on a thing to tell it from others.
func printed(text string) bool {
	return !strings.ContainsFunc(text, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && !strings.ContainsRune("-._/", r)
	})
}

// personal reads a text that is sealed before the entry is made; it is plain here.
func (in intake) personal(key string, most int) json.RawMessage {
	raw, err := json.Marshal(in.String(key, most))
	if err != nil {
		panic("register: a string that is no JSON") // cannot be: strict reads valid Unicode only
	}
	return raw
}

// measured reads a value in the shape of the placement case file and gives it in whole micrometres and microdegrees, in
// one spelling. decode is the part's own strict reader.
func measured[T any](in intake, key string, decode func(json.RawMessage, string) (T, error)) json.RawMessage {
	whole := in.Raw(key)
	if whole == nil {
		return nil // missing, and said so
	}
	var err error
	if in.importing() {
		if whole, err = quantity.ToInteger(whole); err != nil {
			return in.rejectAll(err, key, key+".")
		}
	}
	decimal, err := quantity.ToDecimal(whole)
	if err != nil {
		return in.rejectAll(err, key, key+".")
	}
	if _, err := decode(decimal, key); err != nil {
		if !in.importing() {
			err = quantity.FaultInInteger(err, "")
		}
		return in.rejectAll(err, key, "")
	}
	if whole, err = quantity.ToInteger(decimal); err != nil {
		return in.rejectAll(err, key, key+".")
	}
	return whole
}

// rejectAll notes the faults of the part under key, whose names continue prefix.
func (in intake) rejectAll(err error, key, prefix string) json.RawMessage {
	f := fault.Of(err)
	for _, field := range f.Fields {
		in.Reject(prefix+field.Name, field.Want)
	}
	if len(f.Fields) == 0 {
		in.Reject(key, f.Detail)
	}
	return nil
}
