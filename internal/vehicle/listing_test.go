package vehicle_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/vehicle"
)

// said writes a listing's codes as one would say them: P0805-11 2F, or P0805 without a status.
func said(l vehicle.Listing) []string {
	out := []string{}
	for _, c := range l.Codes {
		text := c.Code.String()
		if c.Status != nil {
			text += " " + strings.ToUpper(hexByte(byte(*c.Status)))
		}
		out = append(out, text)
	}
	return out
}

func hexByte(b byte) string {
	const digits = "0123456789abcdef"
	return string([]byte{digits[b>>4], digits[b&15]})
}

// The byte examples of ISO 14229-1:2013, 11.3.5: the answer to 19 02 84 is 59 02 7F 0A 9B 17 24 08 05 11 2F. Zeros behind
// the last code are padding (11.3.1.1). The answers with 123456 and 123457 are from the tests of a public library (MIT).
func TestAnswersOfTheStandard(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text      string
		codes     []string
		supported vehicle.Status
	}{
		{"59 02 7F 0A 9B 17 24 08 05 11 2F", []string{"P0A9B-17 24", "P0805-11 2F"}, 0x7F},
		{"59027f0a9b17240805112f", []string{"P0A9B-17 24", "P0805-11 2F"}, 0x7F},
		{"0x59,0x02,0x7F,0x0A,0x9B,0x17,0x24", []string{"P0A9B-17 24"}, 0x7F},
		{"59 02 FB 12 34 56 20 12 34 57 60", []string{"P1234-56 20", "P1234-57 60"}, 0xFB},
		{"59 02 FB 12 34 56 20 00 00 00 00", []string{"P1234-56 20"}, 0xFB},
		{"59 02 FB 12 34 56 20 00", []string{"P1234-56 20"}, 0xFB},
		{"59 02 FB 12 34 56 20 00 00 00 00 00 00", []string{"P1234-56 20"}, 0xFB},
		{"59 02 FB 12 34 56 00 00 00 00", []string{"P1234-56 00"}, 0xFB},
		{"59 02 7F", []string{}, 0x7F},
		{"59 02 7F 00 00 00 00", []string{}, 0x7F},
	} {
		l := vehicle.ReadListing(c.text)
		require.Empty(t, l.NotRead, c.text)
		require.Equal(t, c.codes, said(l), c.text)
		require.Equal(t, []vehicle.Answer{{Line: 1, Supported: c.supported, Codes: len(c.codes)}}, l.Answers, c.text)
	}
}

// The forms are common practice, no source.
func TestFormsPeopleHave(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		"P0805":                               {"P0805"},
		"P0805-11":                            {"P0805-11"},
		"p0805-11":                            {"P0805-11"},
		"P080511":                             {"P0805-11"},
		"P0805:11 2f":                         {"P0805-11 2F"},
		"P0805-11 2F clutch position sensor":  {"P0805-11 2F"},
		"P0805-11 (2F) clutch":                {"P0805-11 2F"},
		"P0805-11, status: 0x2F":              {"P0805-11 2F"},
		"P0805 status=2F":                     {"P0805 2F"},
		"P0805 0x2F":                          {"P0805 2F"},
		"P0805 status":                        {"P0805"},
		"P0805 clutch position, status later": {"P0805"},
		"• C0051: steering angle":             {"C0051"},
		"3. U0140":                            {"U0140"},
		"DTC: B1F0E-35":                       {"B1F0E-35"},
		"P0805-11, P0A9B-17":                  {"P0805-11", "P0A9B-17"},
		"P0805-11 2F; P0A9B-17 24":            {"P0805-11 2F", "P0A9B-17 24"},
		"0A9B17 24":                           {"P0A9B-17 24"},
		"0A9B1724":                            {"P0A9B-17 24"},
		"080511 24":                           {"P0805-11 24"},
		"0A 9B 17 24 08 05 11 2F":             {"P0A9B-17 24", "P0805-11 2F"},
		"\ufeffP0805":                         {"P0805"},
		"P0805\r\nP0806\rP0807":               {"P0805", "P0806", "P0807"},
	} {
		l := vehicle.ReadListing(text)
		require.Empty(t, l.NotRead, text)
		require.Equal(t, want, said(l), text)
	}
	require.Equal(t, "clutch position sensor", vehicle.ReadListing("P0805-11 2F clutch position sensor").Codes[0].Text)
}

func TestWhatIsNotUnderstoodIsListed(t *testing.T) {
	t.Parallel()
	for text, why := range map[string]string{
		"Front camera unit":                    "no trouble code",
		"No P0805 found":                       "no trouble code",
		"P4805":                                "no trouble code",
		"P0805 2F":                             "status 2F",
		"P0805-11 see P0806":                   "more than one code",
		"P0805 P0806 both":                     "more than one code",
		"59 0A 7F 0A 9B 17 24":                 "subfunction 0A",
		"59 01 2F 01 00 01":                    "subfunction 01", // the standard's answer to 19 01 08
		"59 02":                                "no trouble code",
		"59 02 7F 0A 9B 17":                    "3 bytes are over",
		"59 02 7F 0A 9B 17 24 08":              "1 bytes are over",
		"7F 19 31":                             "refused",
		"0A 9B 17":                             "3 bytes",
		"048210":                               "3 bytes", // may be a mileage
		"20261125":                             "a date",
		"10:20:30":                             "no trouble code",
		"2026-11-25":                           "no trouble code",
		"00 00 00 00":                          "zeros",
		"7E8 10 0B 59 02 7F":                   "no trouble code",
		"0A9B1":                                "no trouble code",
		"\xff\xfe":                             "no trouble code",
		"P0805-11-22":                          "no trouble code",
		strings.Repeat("long ", 100) + "P0805": "no trouble code",
	} {
		l := vehicle.ReadListing("P0143\n\n  " + text + "\nU0140")
		require.Equal(t, []string{"P0143", "U0140"}, said(l), text)
		require.Len(t, l.NotRead, 1, text)
		require.Equal(t, 3, l.NotRead[0].Line)
		require.Contains(t, l.NotRead[0].Why, why, text)
		require.Equal(t, 4, l.Codes[1].Line)
	}
}

func TestListingHasAnEnd(t *testing.T) {
	t.Parallel()
	l := vehicle.ReadListing(strings.Repeat("P0805\n", vehicle.MostListed))
	require.False(t, l.Incomplete)
	l = vehicle.ReadListing(strings.Repeat("P0805\n", vehicle.MostListed+1))
	require.True(t, l.Incomplete)
	require.Len(t, l.Codes, vehicle.MostListed)
	require.True(t, vehicle.ReadListing(strings.Repeat("x\n", vehicle.MostLines+1)).Incomplete)
}

// Whatever one writes out is what one reads in, in each form.
func TestCodesComeBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := [3]byte(rapid.SliceOfN(rapid.Byte(), 3, 3).Draw(t, "code"))
		b[2] |= 1 // zeros would be padding
		status := rapid.Byte().Draw(t, "status")
		c := vehicle.CodeOfBytes(b)
		want := []string{c.String() + " " + strings.ToUpper(hexByte(status))}
		code := hexByte(b[0]) + hexByte(b[1]) + hexByte(b[2])
		require.Equal(t, want, said(vehicle.ReadListing(want[0])))
		require.Equal(t, want, said(vehicle.ReadListing("59 02 ff "+code+" "+hexByte(status))))
		if b[0] != 0x59 {
			require.Equal(t, want, said(vehicle.ReadListing(code+" "+hexByte(status))))
		}
	})
}

func TestDiffer(t *testing.T) {
	t.Parallel()
	list := func(text string) []vehicle.Reported { return vehicle.ReadListing(text).Reported() }
	names := func(found []vehicle.Found) string {
		var all []string
		for _, f := range found {
			all = append(all, f.Code)
		}
		return strings.Join(all, " ")
	}
	for _, c := range []struct{ before, after, gone, still, new string }{
		{"", "", "", "", ""},
		{"P0805-11", "", "P0805-11", "", ""},
		{"", "P0805-11", "", "", "P0805-11"},
		{"U0140\nC0051", "C0051\nP0805", "U0140", "C0051", "P0805"},
		{"P0805-11", "P0805-12", "P0805-11", "", "P0805-12"}, // another failure type is another finding
		{"P0805", "P0805-11", "", "P0805-11", ""},
		{"P0805-11", "P0805", "", "P0805-11", ""},
		{"P0805\nP0805-11", "P0805-11", "P0805", "P0805-11", ""},
		{"P0805-11\nP0805-12", "P0805", "P0805-12", "P0805-11", ""},
		{"P0805-00", "P0805", "", "P0805-00", ""},
	} {
		d := vehicle.Differ(list(c.before), list(c.after))
		require.Equal(t, c.gone, names(d.Gone), "%q %q", c.before, c.after)
		require.Equal(t, c.still, names(d.Still), "%q %q", c.before, c.after)
		require.Equal(t, c.new, names(d.New), "%q %q", c.before, c.after)
	}
	// After clearing, with no test run, a status is 50 (ISO 14229-1, annex D).
	d := vehicle.Differ(list("P0805-11 2F"), list("P0805-11 50"))
	require.True(t, d.Still[0].Untested)
	require.EqualValues(t, 0x2F, *d.Still[0].Before)
	require.False(t, vehicle.Differ(list("P0805-11 50"), list("P0805-11 2F")).Still[0].Untested)
}

// Each code goes to exactly one list, and what is new one way round is gone the other.
func TestDifferLosesNothing(t *testing.T) {
	t.Parallel()
	code := rapid.SampledFrom([]string{"P0805", "P0805-11", "P0805-12", "C0051", "C0051-00", "U0140", "B1F0E-35"})
	draw := func(t *rapid.T, name string) []vehicle.Reported {
		var all []vehicle.Reported
		for _, s := range rapid.SliceOfNDistinct(code, 0, 7, rapid.ID[string]).Draw(t, name) {
			c, err := vehicle.ParseCode(s)
			require.NoError(t, err)
			all = append(all, vehicle.Reported{Code: c})
		}
		return all
	}
	rapid.Check(t, func(t *rapid.T) {
		before, after := draw(t, "before"), draw(t, "after")
		d, back := vehicle.Differ(before, after), vehicle.Differ(after, before)
		require.Equal(t, len(before), len(d.Gone)+len(d.Still))
		require.Equal(t, len(after), len(d.New)+len(d.Still))
		require.Equal(t, len(d.Still), len(back.Still))
		require.Equal(t, len(d.Gone), len(back.New))
	})
}

func TestMeaningOfFailureTypes(t *testing.T) {
	t.Parallel()
	// Public lists agree on these; two are the words of ISO 14229-1's own examples (P0805-11, P0A9B-17).
	for text, want := range map[string]string{
		"P0805-11": "circuit short to ground", "P0A9B-17": "circuit voltage above threshold", "P2522-1F": "circuit intermittent",
		"B1000-54": "missing calibration", "C1000-76": "wrong mounting position", "C1000-78": "alignment or adjustment incorrect",
		"P0805": "", "P0805-FF": "",
	} {
		c, err := vehicle.ParseCode(text)
		require.NoError(t, err)
		require.Equal(t, want, c.Meaning(), text)
	}
}

// No line is lost: each that is not empty is a code's, an answer's or not read, and only one of the last.
func FuzzReadListing(f *testing.F) {
	for _, s := range []string{
		"59 02 7F 0A 9B 17 24 08 05 11 2F", "P0805-11 2F clutch\n\n0A9B17 24\r\nnonsense", "7F 19 31", "00000000", "\ufeff\xff",
		"P0805 status", "P0805 2F", "1. P0805-11", "59 02 7F", "20261125",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l := vehicle.ReadListing(s)
		if l.Incomplete {
			return
		}
		lines := map[int]string{}
		for _, c := range l.Codes {
			lines[c.Line] = "code"
			back, err := vehicle.ParseCode(c.Code.String())
			require.NoError(t, err)
			require.Equal(t, c.Code, back)
		}
		for _, a := range l.Answers {
			lines[a.Line] = "answer"
		}
		for _, n := range l.NotRead {
			require.NotContains(t, lines, n.Line)
			require.NotEmpty(t, n.Why)
			lines[n.Line] = "not read"
		}
		s = strings.TrimPrefix(s, "\ufeff")
		number, filled := 0, 0
		for _, line := range strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(s), "\n") {
			if number++; strings.TrimSpace(line) != "" {
				filled++
				require.Contains(t, lines, number)
			}
		}
		require.Len(t, lines, filled)
	})
}
