package trail_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/gowebpki/jcs"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/trail"
)

const jcsData = "../../testdata/jcs"

// TestPublishedCanonicalForms runs the RFC author's files (testdata/jcs/README.md says whence). What the trail does
// not keep is taken out of input and output alike, and refused first where it stands.
func TestPublishedCanonicalForms(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		file, refused string
		in, out       []string // old, new pairs
	}{
		{file: "french.json"},
		{file: "unicode.json"},
		{file: "weird.json"},
		{
			file: "arrays.json", refused: `[1].10`,
			in: []string{`null`, `false`}, out: []string{`null`, `false`},
		},
		{
			file: "structures.json", refused: "1.\n",
			in: []string{`56.0`, `56`},
		},
		{
			file: "values.json", refused: "numbers[0]",
			in:  []string{`333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001`, `1`, `null`, `false`},
			out: []string{`333333333.3333333,1e+30,4.5,0.002,1e-27`, `1`, `null`, `false`},
		},
	} {
		in, err := os.ReadFile(filepath.Join(jcsData, "input", c.file))
		require.NoError(t, err)
		out, err := os.ReadFile(filepath.Join(jcsData, "output", c.file))
		require.NoError(t, err)
		if c.refused != "" {
			_, err := trail.Canonical(in)
			require.True(t, fault.Is(err, fault.InvalidInput), c.file)
			require.Equal(t, c.refused, fault.Of(err).Fields[0].Name, c.file)
		}
		got, err := trail.Canonical([]byte(strings.NewReplacer(c.in...).Replace(string(in))))
		require.NoError(t, err, c.file)
		require.Equal(t, strings.TrimSpace(strings.NewReplacer(c.out...).Replace(string(out))), string(got), c.file)
	}
}

// TestKeyOrder is the sample of RFC 8785, section 3.2.3.
func TestKeyOrder(t *testing.T) {
	t.Parallel()
	got, err := trail.Canonical([]byte(`{"\u20ac":1,"\r":2,"\ufb33":3,"1":4,"\ud83d\ude00":5,"\u0080":6,"\u00f6":7}`))
	require.NoError(t, err)
	require.Equal(t, "{\"\\r\":2,\"1\":4,\"\u0080\":6,\"ö\":7,\"€\":1,\"😀\":5,\"\ufb33\":3}", string(got))
}

// TestPublishedNumbers runs RFC 8785, appendix B: integers within 2^53-1 come out as there, everything else is refused.
func TestPublishedNumbers(t *testing.T) {
	t.Parallel()
	f, err := os.Open(filepath.Join(jcsData, "numbers.csv"))
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	kept := 0
	for _, row := range rows {
		bits, err := strconv.ParseUint(row[0], 16, 64)
		require.NoError(t, err)
		n := math.Float64frombits(bits)
		got, err := trail.Canonical([]byte(row[1]))
		if n == math.Trunc(n) && math.Abs(n) <= 1<<53-1 {
			require.NoError(t, err, row)
			require.Equal(t, row[1], string(got))
			kept++
		} else {
			require.Error(t, err, row)
		}
	}
	require.Equal(t, 2, kept) // 0 and -0
	for in, want := range map[string]string{
		"-0": "0", "9007199254740991": "9007199254740991", "-9007199254740991": "-9007199254740991",
	} {
		got, err := trail.Canonical([]byte(in))
		require.NoError(t, err)
		require.Equal(t, want, string(got))
	}
}

func TestNotKept(t *testing.T) {
	t.Parallel()
	for in, field := range map[string]string{
		`{"a":{"b":[1,2.5]}}`:         "a.b[1]",
		`{"a":[{"b":null}]}`:          "a[0].b",
		`{"a":9007199254740992}`:      "a",
		`{"a":-9007199254740992}`:     "a",
		`{"a":1e3}`:                   "a",
		`1.0`:                         "the value",
		`{"a":{"x":1,"b":2,"x":1}}`:   "a.x",
		`{"a":1,"\u0061":2}`:          "a",
		strings.Repeat(`[`, 40) + `1`: strings.Repeat("[0]", trail.MaxDepth+1),
	} {
		_, err := trail.Canonical([]byte(in))
		require.True(t, fault.Is(err, fault.InvalidInput), "%s: %v", in, err)
		require.Equal(t, field, fault.Of(err).Fields[0].Name, in)
	}
	for _, in := range []string{
		``, ` `, `{`, `[1,]`, `{"a":1,}`, `[1 2]`, `{"a" 1}`, `{a:1}`, `01`, `-`, `+1`, `.5`, `tru`, `NaN`, `Infinity`, `"`,
		`"\x"`, `"\u12"`, `"\ud800"`, `"\ud800\u0041"`, `"\udc00\ud800"`, "\"\n\"", "\"\xff\"", "\"\xc0\x80\"", "\"\xed\xa0\x80\"",
		`1 2`, `{}x`, "\ufeff{}", `'a'`, `//`, "[1]\x00",
	} {
		_, err := trail.Canonical([]byte(in))
		require.True(t, fault.Is(err, fault.Malformed), "%q: %v", in, err)
	}
}

// value draws JSON values within the profile.
func value(depth int) *rapid.Generator[any] {
	text := rapid.OneOf(rapid.String(), rapid.StringOfN(rapid.RuneFrom([]rune("a\"\\/\b\f\n\r\t\x00\x1f\x7f\u0080é\u2028\ufb33\U0001f600")), 0, 6, -1))
	leaf := []*rapid.Generator[any]{
		rapid.Int64Range(-(1<<53 - 1), 1<<53-1).AsAny(), rapid.Int64Range(-3, 3).AsAny(), text.AsAny(), rapid.Bool().AsAny(),
	}
	if depth > 0 {
		leaf = append(leaf,
			rapid.Map(rapid.MapOfN(text, value(depth-1), 0, 5), func(m map[string]any) any { return m }),
			rapid.Map(rapid.SliceOfN(value(depth-1), 0, 4), func(s []any) any { return s }))
	}
	return rapid.OneOf(leaf...)
}

func object() *rapid.Generator[map[string]any] {
	return rapid.MapOfN(rapid.String(), value(2), 0, 5)
}

// TestCanonicalAgreesWithAnother compares with github.com/gowebpki/jcs and checks what a canonical form must be: a fixed
// point that means the same.
func TestCanonicalAgreesWithAnother(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		raw, err := json.MarshalIndent(object().Draw(t, "value"), " ", "\t")
		require.NoError(t, err)
		got, err := trail.Canonical(raw)
		require.NoError(t, err)
		want, err := jcs.Transform(raw)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got))
		require.JSONEq(t, string(raw), string(got))
		again, err := trail.Canonical(got)
		require.NoError(t, err)
		require.Equal(t, got, again)
	})
}

func FuzzCanonical(f *testing.F) {
	for _, s := range []string{`{"b":1,"a":[true,"\u00e9\ud83d\ude00"]}`, `{"a":{"a":0},"b":-1}`, `"\/"`, `[-0,00]`, "\"\xff\"", `{"\u20ac":1,"\r":2}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		got, err := trail.Canonical(raw)
		if err != nil {
			require.NotEqual(t, fault.InternalFault, fault.Of(err).Slug)
			return
		}
		require.True(t, json.Valid(raw) && utf8.Valid(raw))
		again, err := trail.Canonical(got)
		require.NoError(t, err)
		require.Equal(t, got, again)
		if want, err := jcs.Transform(raw); err == nil { // it takes objects and lists only
			require.Equal(t, string(want), string(got))
		}
	})
}
