package phrase

import (
	"errors"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/figure"
)

// wanted is a refusal with its fields in the text.
func wanted(err error) error {
	if err == nil {
		return nil
	}
	var parts []string
	for _, f := range fault.Of(err).Fields {
		parts = append(parts, f.Name+": "+f.Want)
	}
	return errors.New(strings.Join(parts, "; "))
}

// all is every catalog there is a file of, whether it is offered or not.
func all(t *testing.T) map[string]catalog {
	files, err := filepath.Glob("catalog/*.json")
	require.NoError(t, err)
	out := map[string]catalog{}
	for _, file := range files {
		lang := strings.TrimSuffix(filepath.Base(file), ".json")
		c, ok := load(lang)
		require.True(t, ok)
		out[lang] = c
	}
	return out
}

var places = regexp.MustCompile(`\{[a-z]+\}`)

func TestSameKeysAndPlaceholders(t *testing.T) {
	t.Parallel()
	catalogs := all(t)
	require.Subset(t, slices.Collect(maps.Keys(catalogs)), Languages())
	english := catalogs["en"]
	for lang, c := range catalogs {
		require.ElementsMatch(t, slices.Collect(maps.Keys(english)), slices.Collect(maps.Keys(c)), lang)
		for key, text := range c {
			require.Equal(t, sorted(places.FindAllString(english[key], -1)), sorted(places.FindAllString(text, -1)), "%s of %s", key, lang)
			require.NotEmpty(t, text, "%s of %s", key, lang)
		}
	}
}

func sorted(list []string) []string {
	slices.Sort(list)
	return list
}

// TestNoOrphan changes one key after the other: something that is said or heard must change.
func TestNoOrphan(t *testing.T) {
	t.Parallel()
	for lang, c := range all(t) {
		heard := heardIn(c)
		saidOrHeard := func(c catalog) string {
			var b strings.Builder
			b.WriteString(tell(Voice{texts: c, unit: figure.MM, steering: "left"}))
			b.WriteString(tell(Voice{texts: c, unit: figure.Inch, steering: "left"}))
			h := hearing{texts: c}
			for _, heard := range heard {
				b.WriteString(h.means(heard) + " ")
			}
			return b.String()
		}
		whole := saidOrHeard(c)
		for key := range c {
			// The first is for who chooses one, the second is TestPlural's; an inch always has decimals, and then most languages
			// have no singular.
			if key == "language" || key == "plural" || key == "unit.in.one" {
				continue
			}
			less := maps.Clone(c)
			less[key] = "¿"
			require.False(t, whole == saidOrHeard(less), "%s of %s is used nowhere", key, lang)
		}
	}
}

func heardIn(c catalog) []string {
	var words []string
	for _, key := range slices.Sorted(maps.Keys(c)) {
		if strings.HasPrefix(key, "hear.") {
			words = append(words, strings.Fields(c[key])...)
		}
	}
	return words
}

// TestHeardWordsAreOfOneMeaning, and are lower case, and what is said is heard.
func TestHeardWordsAreOfOneMeaning(t *testing.T) {
	t.Parallel()
	for lang, c := range all(t) {
		words := heardIn(c)
		require.Len(t, slices.Compact(slices.Sorted(slices.Values(words))), len(words), lang)
		h := hearing{texts: c}
		for _, word := range words {
			require.Equal(t, strings.ToLower(word), word, lang)
		}
		for key, text := range c {
			if name, ok := strings.CutPrefix(key, "say."); ok {
				require.Equal(t, name, h.means(text), "%s of %s", key, lang)
			}
		}
	}
}

// budget is the most characters for what is shown large or spoken in one breath: what fits a tablet at two metres was
// tried with German. By the beginning of the key.
var budget = []struct {
	family string
	most   int
}{
	{"unit.", 12}, {"say.", 12}, {"verb.", 26}, {"side.", 24}, {"said.", 24}, {"aid.", 34}, {"line.", 34}, {"on.", 34}, {"datum.", 34},
	{"limit.", 30}, {"too.", 30}, {"more.", 24}, {"here.", 66}, {"ask", 24}, {"long.", 90}, {"spoken.", 90}, {"read.", 40}, {"verdict.", 40}, {"quantity.", 18},
	{"who.", 14}, {"turn", 50}, {"hear.", 80}, {"language", 12}, {"plural", 3}, {"decimal", 1},
}

func TestBudget(t *testing.T) {
	t.Parallel()
	for lang, c := range all(t) {
	keys:
		for key, text := range c {
			for _, b := range budget {
				if strings.HasPrefix(key, b.family) {
					require.LessOrEqual(t, utf8.RuneCountInString(text), b.most, "%s of %s", key, lang)
					continue keys
				}
			}
			t.Errorf("%s has no budget", key)
		}
	}
}

// avoided are words that no text has: claims nobody can make, sides named by a person's seat or by the kerb, and numbers
// that are none. Common practice, no source; the translations are ours.
var avoided = map[string][]string{
	"en": {"certified", "guarantee", "safe to drive", "approved", "100%", "autonomous", "perfect", "verified by", "driver", "passenger", "nearside", "offside", "ok", "about", "same as last"},
	"de": {"zertifiz", "garant", "fahrsicher", "freigegeben", "100 %", "autonom", "perfekt", "fahrerseite", "beifahrer", "okay", "ok", "etwa", "circa", "ungefähr", "wie zuletzt"},
	"es": {"certific", "garanti", "seguro para", "aprobado", "100 %", "autónom", "perfect", "conductor", "pasajero", "copiloto", "vale", "aproximadamente", "como la última"},
	"fr": {"certifi", "garanti", "sûr à conduire", "approuvé", "100 %", "autonome", "parfait", "conducteur", "passager", "ok", "environ", "comme la dernière"},
}

func TestNoAvoidedWords(t *testing.T) {
	t.Parallel()
	for lang, c := range all(t) {
		require.NotEmpty(t, avoided[lang], lang)
		for key, text := range c {
			for _, word := range avoided[lang] {
				found := regexp.MustCompile(`(?i)(^|\PL)`+regexp.QuoteMeta(word)).FindString(text) != ""
				require.False(t, found, "%q in %s of %s", word, key, lang)
			}
		}
	}
}
