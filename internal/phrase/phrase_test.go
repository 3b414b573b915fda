package phrase

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/calibration"
	"readback/internal/figure"
)

var update = flag.Bool("update", false, "write the golden texts anew")

// TestGolden keeps every text of every language readable in one file each. Who changes one reads it.
func TestGolden(t *testing.T) {
	t.Parallel()
	for _, lang := range Languages() {
		var b strings.Builder
		for _, unit := range []figure.Unit{figure.MM, figure.Inch} {
			steering := map[figure.Unit]string{figure.MM: "left", figure.Inch: "right"}[unit]
			v, err := In(lang, unit, steering)
			require.NoError(t, err)
			b.WriteString("== " + lang + ", " + string(unit) + ", steering wheel " + steering + "\n\n" + tell(v) + "\n")
		}
		path := filepath.Join("testdata", lang+".txt")
		if *update {
			require.NoError(t, os.MkdirAll("testdata", 0o755))
			require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o644))
		}
		want, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, string(want), b.String(), lang)
	}
}

func TestNoSuchVoice(t *testing.T) {
	t.Parallel()
	_, err := In("xx", figure.MM, "")
	require.ErrorContains(t, err, "en, de")
	_, err = In("../en", figure.MM, "")
	require.Error(t, err)
	_, err = In("en", figure.Deg, "")
	require.ErrorContains(t, err, "mm or in")
}

// sides are the words of each language for left and right. Of the aid and of datums none is one of them.
var sides = map[string][2]string{"en": {"left", "right"}, "de": {"links", "rechts"}, "es": {"izquierda", "derecha"}, "fr": {"gauche", "droite"}}

// anInstruction draws one with names in which no side is hidden.
func anInstruction(t *rapid.T) calibration.Instruction {
	value := rapid.Int64Range(1, 30_000_000).Draw(t, "value")
	tolerance := rapid.SampledFrom([]int64{0, 2_500, 5_000}).Draw(t, "tolerance")
	switch kind := rapid.SampledFrom([]string{calibration.GoToPosition, calibration.SetDistance, calibration.SetHeight, calibration.FitTarget, calibration.MoveFixture}).Draw(t, "kind"); kind {
	case calibration.GoToPosition:
		i := calibration.Instruction{
			Kind: kind, Position: rapid.StringMatching(`[1-9][0-9]?|near|far|A-[1-9]`).Draw(t, "position"), ValueUM: &value,
			Side: rapid.SampledFrom([]string{"left", "right"}).Draw(t, "side"), Datum: rapid.SampledFrom([]string{"thrust-line", "centreline"}).Draw(t, "line"), ToleranceUM: tolerance,
		}
		if rapid.IntRange(0, 9).Draw(t, "centre") == 0 {
			i.Side, value = "centre", 0
			return i // limits by side name both there
		}
		limited(t, &i)
		return i
	case calibration.SetDistance:
		datum := rapid.SampledFrom([]string{"front-bumper", "front-axle", "rear-axle", "rear-bumper", "sensor"}).Draw(t, "datum")
		i := calibration.Instruction{Kind: kind, ValueUM: &value, Datum: datum, ToleranceUM: tolerance}
		limited(t, &i)
		return i
	case calibration.MoveFixture:
		to := rapid.SampledFrom([]string{"left", "right", "towards-car", "away", "up", "down"}).Draw(t, "to")
		return calibration.Instruction{Kind: kind, Move: rapid.SampledFrom([]string{"shift", "slide"}).Draw(t, "move"), ValueUM: &value, Side: to, Datum: calibration.Here}
	case calibration.SetHeight:
		return calibration.Instruction{Kind: kind, ValueUM: &value, Datum: "wheel-plane", ToleranceUM: tolerance}
	default:
		return calibration.Instruction{Kind: kind, Target: rapid.StringMatching(`[A-Z]{1,3}-[A-Z]{3}-[0-9]{2}|B [0-9]{1,3}`).Draw(t, "target")}
	}
}

// limited draws limits that are not ± for an instruction without a tolerance.
func limited(t *rapid.T, i *calibration.Instruction) {
	if i.ToleranceUM != 0 {
		return
	}
	lower := rapid.Int64Range(-30_000, 30_000).Draw(t, "lower")
	upper := lower + rapid.Int64Range(1, 30_000).Draw(t, "width")
	switch rapid.IntRange(0, 3).Draw(t, "limited") {
	case 0:
		i.LowerUM, i.UpperUM = &lower, &upper
	case 1:
		i.LowerUM = &lower
	case 2:
		i.UpperUM = &upper
	}
}

// TestLimitsBySide: an amount is said for each limited side and no other, and beside the line no side is named.
func TestLimitsBySide(t *testing.T) {
	t.Parallel()
	v, err := In("en", figure.MM, "")
	require.NoError(t, err)
	at := func(side string, lower, upper *int64) string {
		return v.Step(calibration.Instruction{Kind: calibration.GoToPosition, Position: "2", ValueUM: ptr(620_000), Side: side, Datum: "thrust-line", LowerUM: lower, UpperUM: upper}).Limit
	}
	require.Equal(t, "at most 5"+noBreak+"mm too far", at("left", nil, ptr(5_000)))
	require.Equal(t, "at most 5"+noBreak+"mm too near", at("right", nil, ptr(5_000)), "to vehicle left of a place on the right is nearer the line")
	require.Equal(t, "at most 5"+noBreak+"mm too far", at("right", ptr(-5_000), nil))
	require.Equal(t, "at most 5"+noBreak+"mm too far left", at("centre", nil, ptr(5_000)))
	require.Equal(t, "not farther, at most 2"+noBreak+"mm too near", at("left", ptr(-2_000), ptr(0)))
	require.Equal(t, "at most 10"+noBreak+"mm too far, at least 2"+noBreak+"mm farther", at("left", ptr(2_000), ptr(10_000)))
	require.Empty(t, at("left", nil, nil))
}

func aVoice(t *rapid.T) (Voice, string) {
	lang := rapid.SampledFrom([]string{"en", "de", "es", "fr"}).Draw(t, "language") // offered or not
	texts, ok := load(lang)
	require.True(t, ok)
	unit := rapid.SampledFrom([]figure.Unit{figure.MM, figure.Inch}).Draw(t, "unit")
	return Voice{texts: texts, unit: unit, steering: rapid.SampledFrom([]string{"", "left", "right"}).Draw(t, "steering")}, lang
}

// TestEveryInstructionIsWhole: each form names number, unit, side and datum, and left is never right, in every language,
// whichever side the steering wheel is on.
func TestEveryInstructionIsWhole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v, lang := aVoice(t)
		i := anInstruction(t)
		w := v.Step(i)
		written, long, spoken := w.Written(), w.Long, w.Spoken
		if i.Kind == calibration.FitTarget {
			require.Contains(t, written, i.Target)
			require.Contains(t, long, i.Target)
			return
		}
		f := figure.Of(*i.ValueUM, v.unit)
		digits, unit := v.written(f)
		for _, text := range []string{written, long} {
			require.Contains(t, text, digits+noBreak+unit)
			require.Contains(t, text, w.Datum)
			require.Contains(t, text, w.Side)
		}
		require.Contains(t, spoken, v.spoken(f))
		require.Contains(t, spoken, w.Datum)
		require.NotEmpty(t, w.Datum)
		for _, text := range []string{written, long, spoken, w.ReadBack} {
			lower := strings.ToLower(text)
			for n, side := range []string{"left", "right"} {
				require.Equal(t, i.Side == side, strings.Contains(lower, sides[lang][n]), "%s of %s", side, text)
			}
			require.NotContains(t, text, "{")
		}
		// Spoken words have no signs and no digits.
		require.Regexp(t, regexp.MustCompile(`^[\pL ,.:']+$`), strings.NewReplacer("-", "").Replace(spoken))
	})
}

// TestMovesKeepTheirSide is the same for moves: but for the left end of a turn or a roll, which is always the left one.
func TestMovesKeepTheirSide(t *testing.T) {
	t.Parallel()
	for lang, texts := range all(t) {
		for _, steering := range []string{"", "left", "right"} {
			v := Voice{texts: texts, unit: figure.MM, steering: steering}
			for _, m := range moves() {
				w := v.Move(m.it)
				for _, text := range []string{w.Written(), w.Long, w.Spoken} {
					lower := strings.ToLower(text)
					ends := m.it.LeftEnd != ""
					require.Equal(t, m.it.To == "right", strings.Contains(lower, sides[lang][1]), text)
					if !ends {
						require.Equal(t, m.it.To == "left", strings.Contains(lower, sides[lang][0]), text)
					}
				}
			}
		}
	}
}

// TestTheTemplateIsTheReadBack: what people are asked to say back is heard as what was instructed.
func TestTheTemplateIsTheReadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v, _ := aVoice(t)
		i := anInstruction(t)
		said, err := v.Hear(v.Step(i).ReadBack, i, []string{"1", "2", "12", "near", "far", "A-1"})
		require.NoError(t, err, v.Step(i).ReadBack)
		want := Said{Side: i.Side, Target: i.Target}
		if i.ValueUM != nil {
			want.Unit = string(v.unit)
			got, err := figure.Parse(said.Value, v.unit, "value")
			require.NoError(t, err)
			require.Equal(t, figure.Of(*i.ValueUM, v.unit), got)
		}
		// A name that the sheet does not have comes back in plain letters; it would not match anyway.
		h := hearing{texts: v.texts}
		require.Equal(t, h.plain(split(i.Position)), h.plain(split(said.Position)))
		said.Value, said.Position = "", ""
		require.Equal(t, want, said)
	})
}

func TestHear(t *testing.T) {
	t.Parallel()
	position := steps()[0].it
	distance, height, target := steps()[4].it, steps()[9].it, steps()[12].it
	two := Said{Position: "2", Side: "left", Value: "620", Unit: "mm"}
	for _, each := range []struct {
		lang, text string
		asked      calibration.Instruction
		said       Said
		lacks      string
	}{
		{"en", "position two, left, six two zero millimetres", position, two, ""},
		{"en", "Position 2, LEFT, 620 mm.", position, two, ""},
		{"en", "Position 2, vehicle left, six-two-zero millimeters", position, two, ""},
		{"en", "position 2 left 620mm", position, two, ""},
		{"en", "position two, right, two six zero millimetres", position, Said{Position: "2", Side: "right", Value: "260", Unit: "mm"}, ""},
		{"en", "position two, left, twenty four point four zero nine inches", position, Said{}, "not understood: twenty"},
		{"en", "position two, left, two four point four zero nine inches", position, Said{Position: "2", Side: "left", Value: "24.409", Unit: "in"}, ""},
		{"en", "position two, left, about six two zero millimetres", position, two, "not understood: about"},
		{"en", "position two, left, six two zero", position, Said{}, "unit"},
		{"en", "position two, six two zero millimetres", position, Said{}, "side"},
		{"en", "left, six two zero millimetres", position, Said{}, "position"},
		{"en", "position two, left", position, Said{}, "value"},
		{"en", "position two, left, no, right, six two zero millimetres", position, Said{}, "right, after left"},
		{"en", "position two, left, six two zero millimetres, one two four zero", position, Said{}, "a second number"},
		{"en", "distance one four eight zero millimetres", distance, Said{Value: "1480", Unit: "mm"}, ""},
		{"en", "height one four eight zero millimetres", distance, Said{}, "not about the height"},
		{"en", "height 1260.5 mm", height, Said{Value: "1260.5", Unit: "mm"}, ""},
		{"en", "height 1,260.5 mm", height, Said{}, "nothing between thousands"},
		{"en", "target T-CAM-07", target, Said{Target: "T-CAM-07"}, ""},
		{"en", "target t dash cam dash zero seven.", target, Said{Target: "T-CAM-07"}, ""},
		{"en", "", target, Said{}, "target"},
		{"de", "Position zwei, links, sechs zwo null Millimeter", position, two, ""},
		{"de", "Position 2, nach Fahrzeug links, 620,0 mm", position, Said{Position: "2", Side: "left", Value: "620.0", Unit: "mm"}, ""},
		{"de", "Position zwei, links, zwei vier Komma vier null neun Zoll", position, Said{Position: "2", Side: "left", Value: "24.409", Unit: "in"}, ""},
		{"de", "Position zwei, links, etwa sechs zwei null Millimeter", position, Said{}, "not understood: etwa"},
		{"de", "Position zwei, Fahrerseite, sechs zwei null Millimeter", position, Said{}, "not understood: Fahrerseite"},
		{"de", "Höhe eins zwei sechs null Millimeter", height, Said{Value: "1260", Unit: "mm"}, ""},
		{"de", "Abstand eins zwei sechs null Millimeter", height, Said{}, "not about the distance"},
		{"de", "Target T Strich C A M Strich null sieben", target, Said{Target: "T-CAM-07"}, ""},
	} {
		v, err := In(each.lang, figure.MM, "")
		require.NoError(t, err)
		said, err := v.Hear(each.text, each.asked, []string{"1", "2", "3"})
		if each.lacks != "" {
			require.ErrorContains(t, wanted(err), each.lacks, each.text)
			continue
		}
		require.NoError(t, wanted(err), each.text)
		require.Equal(t, each.said, said, each.text)
	}
}

// TestPlural: after the plural rules of the Unicode CLDR for cardinals, from memory. French has the singular below two.
func TestPlural(t *testing.T) {
	t.Parallel()
	texts, _ := load("en")
	v := Voice{texts: texts, unit: figure.MM}
	for um, says := range map[int64]string{
		0: "zero millimetres", 500: "zero point five millimetres", 1_000: "one millimetre", 1_500: "one point five millimetres", 11_000: "one one millimetres", -1_000: "minus one millimetre",
	} {
		require.Equal(t, says, v.spoken(figure.Of(um, figure.MM)))
	}
	require.Equal(t, "one point zero zero zero inches", v.spoken(figure.Of(25_400, figure.Inch)))
	v.texts["plural"] = "0-1" // of this copy of the texts
	for um, says := range map[int64]string{0: "zero millimetre", 500: "zero point five millimetre", 1_500: "one point five millimetre", 2_000: "two millimetres"} {
		require.Equal(t, says, v.spoken(figure.Of(um, figure.MM)))
	}
}

func FuzzHear(f *testing.F) {
	f.Add("position two, left, six two zero millimetres")
	f.Add("target t dash cam dash zero seven")
	f.Add("-.,position,,-")
	f.Fuzz(func(t *testing.T, text string) {
		for _, lang := range Languages() {
			v, _ := In(lang, figure.MM, "")
			for _, s := range steps() {
				said, err := v.Hear(text, s.it, []string{"1", "near left"})
				if err == nil && s.it.ValueUM != nil {
					_, err = figure.Parse(said.Value, figure.Unit(said.Unit), "value")
					require.NoError(t, err, text)
				}
			}
		}
	})
}
