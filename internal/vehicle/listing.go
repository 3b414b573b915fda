package vehicle

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Listing is what ReadListing made of a scan that somebody pasted. Every line that is not empty stands in one of the
// three lists: none is dropped.
type Listing struct {
	Codes      []Listed `json:"codes"`
	Answers    []Answer `json:"answers"`
	NotRead    []Line   `json:"not_read"`
	Incomplete bool     `json:"incomplete"` // there were more lines or codes than are read
}

// Answer is a line that is a control unit's own answer, perhaps without a code.
type Answer struct {
	Line      int    `json:"line"`      // from 1
	Supported Status `json:"supported"` // the status bits in use there: the others say nothing
	Codes     int    `json:"codes"`     // how many it lists
}

// Listed is one trouble code of a listing.
type Listed struct {
	Line   int     `json:"line"` // from 1
	Code   Code    `json:"code"`
	Status *Status `json:"status,omitempty"` // absent where the line gives none
	Text   string  `json:"text,omitempty"`   // what stands behind the code
}

// Line is a line that was not understood.
type Line struct {
	Line int    `json:"line"` // from 1
	Text string `json:"text"` // shortened
	Why  string `json:"why"`
}

// Reported gives the codes as Differ compares them.
func (l Listing) Reported() []Reported {
	all := make([]Reported, len(l.Codes))
	for i, c := range l.Codes {
		all[i] = Reported{c.Code, c.Status}
	}
	return all
}

// MarshalJSON adds what code and status say in words.
func (c Listed) MarshalJSON() ([]byte, error) {
	type plain Listed
	var names []string
	if c.Status != nil {
		names = c.Status.Names()
	}
	return json.Marshal(struct {
		plain
		Meaning string   `json:"meaning,omitempty"`      // of the failure type
		Names   []string `json:"status_names,omitempty"` // of the bits that are set
	}{plain(c), c.Code.Meaning(), names})
}

// What one listing may hold; the rest is not read, and Incomplete says so.
const (
	MostLines  = 1000
	MostListed = 500
)

// ReadListing reads a scan in the forms in which people have it, one line at a time:
//
//   - codes as text, P0805 or P0805-11, with a status byte behind it or none, then any words: "P0805-11 2F clutch switch";
//   - codes as bytes, three for the code and one for the status: 0A9B17 24 (three bytes alone may be any number);
//   - a control unit's answer as bytes: 59 02, the supported status bits, then four bytes a code (ISO 14229-1, service 19,
//     subfunction 02). A code of zeros with status zero at its end is padding.
//
// A line that can be read in two ways is not read, and says so.
func ReadListing(text string) Listing {
	l := Listing{Codes: []Listed{}, Answers: []Answer{}, NotRead: []Line{}}
	text = strings.TrimPrefix(text, "\ufeff")
	number := 0
	for line := range strings.Lines(strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")) {
		if number++; number > MostLines {
			l.Incomplete = true
			break
		}
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		codes, err := l.line(number, line)
		if err != nil {
			l.NotRead = append(l.NotRead, Line{Line: number, Text: shortened(line), Why: err.Error()})
			continue
		}
		for _, c := range codes {
			if len(l.Codes) == MostListed {
				l.Incomplete = true
				break
			}
			c.Line = number
			l.Codes = append(l.Codes, c)
		}
	}
	return l
}

// shortened keeps what is needed to find the line again.
func shortened(line string) string {
	const most = 80
	line = strings.ToValidUTF8(line, "�")
	if utf8.RuneCountInString(line) > most {
		line = string([]rune(line)[:most]) + "…"
	}
	return line
}

var (
	errNoCode   = errors.New("no trouble code stands at its beginning: write P0805 or P0805-11, a status byte if known, then any words; or bytes")
	errTwoCodes = errors.New("more than one code stands in it among other words: write one code a line")
	errNumber   = errors.New("it may be a date or any other number: write the code apart from its status, as in 080511 24")
	errZeros    = errors.New("zeros only, which fill up a message and are no code")
	errTwoWays  = errors.New("the two digits may be the failure type or the status: write P0805-11, or P0805 status 2F")
)

func (l *Listing) line(number int, line string) ([]Listed, error) {
	if b, ok := byteString(line); ok {
		if len(line) == 8 && strings.Trim(line, "0123456789") == "" {
			return nil, errNumber
		}
		return l.bytes(number, b)
	}
	words := strings.FieldsFunc(line, func(r rune) bool {
		return unicode.IsSpace(r) || strings.ContainsRune(",;()[]|", r)
	})
	if len(words) > 1 && bullet(words[0]) {
		words = words[1:]
	}
	var codes []Listed
	rest := words
	for len(rest) > 0 {
		c, ok := loosely(rest[0])
		if !ok {
			break
		}
		rest = rest[1:]
		status, used, err := statusOf(rest, c.Long)
		if err != nil {
			return nil, err
		}
		rest = rest[used:]
		codes = append(codes, Listed{Code: c, Status: status})
	}
	if len(codes) == 0 {
		return nil, errNoCode
	}
	for _, word := range rest {
		if _, ok := loosely(word); ok || len(codes) > 1 {
			return nil, errTwoCodes
		}
	}
	if len(rest) > 0 {
		codes[0].Text = shortened(strings.Join(rest, " "))
	}
	return codes, nil
}

// bullet is what lists put in front of a code.
func bullet(word string) bool {
	if _, err := strconv.ParseUint(strings.TrimRight(word, ".:"), 10, 16); err == nil {
		return true
	}
	return word == "-" || word == "*" || word == "•" || strings.EqualFold(strings.TrimSuffix(word, ":"), "DTC")
}

// loosely reads a code with small letters, without a dash or with a colon: P0805-11, p080511, P0805:11.
func loosely(word string) (Code, bool) {
	word = strings.ToUpper(strings.TrimRight(word, ".:"))
	switch {
	case len(word) == 7:
		word = word[:5] + "-" + word[5:]
	case len(word) == 8 && word[5] == ':':
		word = word[:5] + "-" + word[6:]
	}
	c, err := ParseCode(word)
	return c, err == nil
}

// statusOf reads the status behind a code and gives how many words it took: 2F, 0x2F, status 2F, status=2F. Without the
// word or the mark of a number it is a status only where the failure type stands already.
func statusOf(words []string, long bool) (*Status, int, error) {
	if len(words) == 0 {
		return nil, 0, nil
	}
	word, used, marked := strings.ToUpper(words[0]), 1, false
	if after, ok := strings.CutPrefix(word, "STATUS"); ok {
		marked = true
		word = strings.TrimLeft(after, ":=")
		if word == "" {
			if len(words) == 1 {
				return nil, 0, nil
			}
			word, used = strings.ToUpper(words[1]), 2
		}
	}
	if after, ok := strings.CutPrefix(word, "0X"); ok {
		word, marked = after, true
	}
	if len(word) != 2 {
		return nil, 0, nil
	}
	b, err := hexadecimal(word)
	switch {
	case err != nil:
		return nil, 0, nil
	case !long && !marked:
		return nil, 0, errTwoWays
	}
	status := Status(b)
	return &status, used, nil
}

// byteString reads a line that is nothing but bytes in hexadecimal: together, or parted by blanks or commas, each perhaps
// with 0x. Colons are not taken: they stand in times of day.
func byteString(line string) ([]byte, bool) {
	groups := strings.FieldsFunc(line, func(r rune) bool { return unicode.IsSpace(r) || r == ',' || r == ';' })
	var all []byte
	for _, g := range groups {
		g = strings.TrimPrefix(strings.TrimPrefix(g, "0x"), "0X")
		b, err := hex.DecodeString(g)
		if err != nil || len(b) == 0 {
			return nil, false
		}
		all = append(all, b...)
	}
	return all, len(all) >= 3
}

// The first bytes of answers, and what they answer (ISO 14229-1).
const (
	positive = 0x59 // to service 19, read trouble codes
	byMask   = 0x02 // its subfunction: those that match a mask
	negative = 0x7F
	perCode  = 4 // bytes: three for the code, one for the status
)

func (l *Listing) bytes(number int, b []byte) ([]Listed, error) {
	whole := len(b)%perCode == 0
	switch {
	case strings.Trim(string(b), "\x00") == "":
		return nil, errZeros
	case b[0] == positive && b[1] == byMask:
		return l.answer(number, b[2:])
	case b[0] == positive && !whole:
		return nil, fmt.Errorf("bytes that answer subfunction %02X of service 19: only those of subfunction 02 list codes with their status", b[1])
	case b[0] == negative && len(b) == 3:
		return nil, errors.New("the control unit refused the question: there are no codes in it")
	case !whole:
		return nil, fmt.Errorf("%d bytes: want three for the code and one for the status, or an answer that begins with 59 02", len(b))
	}
	return each(b), nil
}

// answer reads what follows 59 02.
func (l *Listing) answer(number int, b []byte) ([]Listed, error) {
	supported, b := Status(b[0]), b[1:]
	// Zeros fill up the last message: a code of zeros does not exist.
	whole, tail := b[:len(b)-len(b)%perCode], b[len(b)-len(b)%perCode:]
	if strings.Trim(string(tail), "\x00") != "" {
		return nil, fmt.Errorf("an answer that ends within a code: %d bytes are over after the last whole one, some of it is missing", len(tail))
	}
	for len(whole) > 0 && [perCode]byte(whole[len(whole)-perCode:]) == [perCode]byte{} {
		whole = whole[:len(whole)-perCode]
	}
	codes := each(whole)
	l.Answers = append(l.Answers, Answer{Line: number, Supported: supported, Codes: len(codes)})
	return codes, nil
}

// each takes whole codes apart.
func each(b []byte) []Listed {
	var codes []Listed
	for ; len(b) >= perCode; b = b[perCode:] {
		status := Status(b[3])
		codes = append(codes, Listed{Code: CodeOfBytes([3]byte(b)), Status: &status})
	}
	return codes
}
