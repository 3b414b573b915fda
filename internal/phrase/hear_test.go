package phrase

import (
	"slices"
	"strings"
	"unicode"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/figure"
)

// Said is a read-back taken out of what somebody spoke or typed: the keys of the read-back command, those that were said.
type Said struct {
	Position string `json:"position,omitempty"`
	Side     string `json:"side,omitempty"`
	Value    string `json:"value,omitempty"`
	Unit     string `json:"unit,omitempty"`
	Target   string `json:"target,omitempty"`
}

// Hear is a listener for the tests, who knows the catalogue and nothing else: what a voice has people say must tell them
// apart. It takes a free read-back apart, such as "position two, left, six two zero millimetres". It knows which things the
// step asks for, to say what is lacking; what is right it does not look at: that is decided of the command it goes into.
// positions are the names in the set-up sheet. A word that does not belong to a read-back is refused and not skipped:
// "about 620" is no read-back.
func (v Voice) Hear(text string, asked calibration.Instruction, positions []string) (Said, error) {
	h := hearing{texts: v.texts, positions: positions}
	h.listen(text)
	var lacks []fault.Field
	need := func(field string, wanted bool, got string) {
		if wanted && got == "" {
			lacks = append(lacks, fault.Field{Name: field, Want: "missing: say it"})
		}
	}
	said := h.said
	number := asked.ValueUM != nil
	need("position", asked.Position != "", said.Position)
	need("side", asked.Side != "", said.Side)
	need("value", number, said.Value)
	need("unit", number, said.Unit)
	need("target", asked.Target != "", said.Target)
	if said.Value != "" {
		unit := figure.Unit(said.Unit)
		if unit == "" {
			unit = v.unit
		}
		if _, err := figure.Parse(said.Value, unit, "value"); err != nil {
			lacks = append(lacks, fault.Of(err).Fields...)
		}
	}
	for _, word := range h.unclear {
		lacks = append(lacks, fault.Field{Name: "said", Want: "not understood: " + word})
	}
	for _, kind := range []string{calibration.SetDistance, calibration.SetHeight} {
		if strings.HasSuffix(kind, h.kind) && h.kind != "" && kind != asked.Kind {
			lacks = append(lacks, fault.Field{Name: "said", Want: "the step is not about the " + h.kind})
		}
	}
	if lacks != nil {
		return said, fault.New(fault.InvalidInput, "The read-back is not whole, or not clear. Say position, side, number and unit, as far as the step has them, and nothing else.", lacks...)
	}
	return said, nil
}

// hearing is a read-back being taken apart.
type hearing struct {
	texts     catalog
	positions []string
	said      Said
	kind      string // distance or height, where the word was said
	unclear   []string
	number    bool // the word before belonged to the number
}

// meanings are what a word can mean, in the order in which they are tried.
var meanings = []string{
	"0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "point", "minus", "dash", "space", "left", "right", "centre", "towards-car", "away",
	"up", "down", "position", "distance", "height", "target", "mm", "in", "deg", "skip",
}

// means gives what a word means; "" if it is no word of a read-back.
func (h *hearing) means(word string) string {
	word = strings.ToLower(word)
	for _, m := range meanings {
		if slices.Contains(strings.Fields(h.texts["hear."+m]), word) {
			return m
		}
	}
	return ""
}

func (h *hearing) listen(text string) {
	words := h.apart(split(text))
	for i := 0; i < len(words); i++ {
		word := words[i]
		m := h.means(word)
		digits := strings.Trim(word, "0123456789.,-") == "" && strings.ContainsAny(word, "0123456789")
		number := digits || len(m) == 1 || m == "point" || m == "minus"
		switch {
		case word == ",":
		case number:
			h.digits(word, m, digits)
		case m == "position":
			i += h.position(words[i+1:])
		case m == "target":
			h.set(&h.said.Target, h.spelt(words[i+1:]), word)
			return // an id may be of any words: it is the last thing said
		case m == "distance", m == "height":
			h.kind = m
		case m == "mm", m == "in", m == "deg":
			h.set(&h.said.Unit, m, word)
		case m == "skip":
		case m == "", m == "dash", m == "space":
			h.unclear = append(h.unclear, word)
		default:
			h.set(&h.said.Side, m, word)
		}
		h.number = number
	}
}

// apart takes words apart that are joined by hyphens, such as one-one-zero, if every part has a meaning.
func (h *hearing) apart(words []string) []string {
	var out []string
	for _, word := range words {
		parts := strings.Split(word, "-")
		if len(parts) > 1 && !slices.ContainsFunc(parts, func(p string) bool { return h.means(p) == "" }) {
			out = append(out, parts...)
			continue
		}
		out = append(out, word)
	}
	return out
}

// set keeps what was said; what is said twice is not clear, even where it is the same.
func (h *hearing) set(what *string, to, word string) {
	if *what != "" {
		h.unclear = append(h.unclear, word+", after "+*what)
		return
	}
	*what = to
}

// digits adds to the number.
func (h *hearing) digits(word, meaning string, digits bool) {
	if !digits {
		word = map[string]string{"point": ".", "minus": "-"}[meaning]
		if word == "" {
			word = meaning
		}
	}
	if h.said.Value != "" && !h.number {
		h.unclear = append(h.unclear, "a second number: "+word)
		return
	}
	h.said.Value += strings.ReplaceAll(word, ",", ".")
}

// position takes the name of a position: up to the next comma, or the longest name of the sheet's that is not followed by
// a digit, which might belong to it. It gives how many words that were.
func (h *hearing) position(words []string) int {
	end := slices.Index(words, ",")
	if end < 0 {
		end = len(words)
	}
	for n := end; n > 0; n-- {
		if n < end && (len(h.means(words[n])) == 1 || isDigit(words[n], 0)) {
			continue
		}
		heard := h.plain(words[:n])
		for _, name := range h.positions {
			if heard == h.plain(split(name)) {
				h.set(&h.said.Position, name, words[0])
				return n
			}
		}
	}
	h.set(&h.said.Position, strings.Join(words[:end], " "), "position")
	return end
}

// plain is how names are compared: digits as digits, without spaces, dashes and case.
func (h *hearing) plain(words []string) string {
	var b strings.Builder
	for _, word := range words {
		switch m := h.means(word); {
		case len(m) == 1:
			b.WriteString(m)
		case m == "dash", m == "space", word == ",":
		default:
			b.WriteString(strings.ToLower(strings.ReplaceAll(word, "-", "")))
		}
	}
	return b.String()
}

// spelt puts the id of a target together again.
func (h *hearing) spelt(words []string) string {
	var b strings.Builder
	for _, word := range words {
		switch m := h.means(word); {
		case len(m) == 1:
			b.WriteString(m)
		case m == "dash":
			b.WriteByte('-')
		case m == "space":
			b.WriteByte(' ')
		case word == ",":
		default:
			b.WriteString(strings.ToUpper(word))
		}
	}
	return b.String()
}

// split takes a text apart into words; a comma between words is one of its own, a number and its unit are two.
func split(text string) []string {
	text = strings.NewReplacer(noBreak, " ", minus, "-", ";", ",", "\u2019", "'").Replace(text)
	var words []string
	for _, field := range strings.Fields(text) {
		word := strings.TrimRight(field, ".,:!?")
		end := len(word)
		if isDigit(word, 0) || strings.HasPrefix(word, "-") && isDigit(word, 1) {
			end = len(word) - len(strings.TrimLeft(word, "-0123456789.,"))
		}
		switch number, rest := word[:end], word[end:]; {
		case end < len(word) && letters(rest): // 620mm
			words = append(words, number, rest)
		case word != "":
			words = append(words, word)
		}
		if strings.Contains(field[len(word):], ",") {
			words = append(words, ",")
		}
	}
	return words
}

func isDigit(word string, at int) bool { return len(word) > at && word[at] >= '0' && word[at] <= '9' }

func letters(word string) bool {
	return word != "" && strings.IndexFunc(word, func(r rune) bool { return !unicode.IsLetter(r) }) < 0
}
