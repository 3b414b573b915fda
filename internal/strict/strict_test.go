package strict_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/strict"
)

var mm = strict.Range{Min: -10, Max: 100, Unit: "mm"}

// fields gives the faults as "path: want" lines.
func fields(t *testing.T, err error) []string {
	t.Helper()
	var f *fault.Error
	require.True(t, errors.As(err, &f), "a *fault.Error, got %v", err)
	var all []string
	for _, each := range f.Fields {
		all = append(all, each.Name+": "+each.Want)
	}
	return all
}

func TestReadsWhatIsThere(t *testing.T) {
	t.Parallel()
	o := strict.Read([]byte(`{"a": 1.5, "n": 12, "s": "x", "e": "one", "b": true, "o": {"k": -0},
		"l": [{"v": 1}, {"v": 2}], "w": ["p", "q"], "r" : [1, {"deep": null}] , "t": "two\nlines",
		"table": {"z": {"u": 1}, "y": {"u": 2}}}`), "")
	require.Equal(t, 1.5, o.Float("a", mm))
	require.Equal(t, int64(12), o.Int("n", 0, 20))
	require.Equal(t, "x", o.String("s", 5))
	require.Equal(t, "one", o.Enum("e", "one", "two"))
	require.True(t, o.Bool("b"))
	require.Equal(t, "0", fmt.Sprint(o.Object("o").Float("k", mm)))
	var got []float64
	for _, each := range o.Objects("l", 1, 3) {
		got = append(got, each.Float("v", mm))
	}
	require.Equal(t, []float64{1, 2}, got)
	require.Equal(t, []string{"p", "q"}, o.Strings("w", 0, 2, 1))
	require.JSONEq(t, `[1, {"deep": null}]`, string(o.Raw("r")))
	require.Equal(t, "two\nlines", o.Text("t", 20))
	var names []string
	for name, each := range o.Object("table").Members() {
		names = append(names, fmt.Sprint(name, each.Float("u", mm)))
	}
	require.Equal(t, []string{"z1", "y2"}, names)
	_, there := o.OptFloat("absent", mm)
	require.False(t, there)
	require.Equal(t, "two", o.OptEnum("absent", "two", "one", "two"))
	require.True(t, o.OptBool("absent", true))
	require.NoError(t, o.Close())
}

func TestNamesEveryFault(t *testing.T) {
	t.Parallel()
	o := strict.Read([]byte(`{"a": 1e999, "n": 12.0, "s": "", "e": "three", "b": null, "o": [], "l": [{"v": 1000}, 7, {}],
		"l2": [], "extra": 1, "w": ["ok", "too long"], "in": {"x": 1}, "twice": 1, "twice": 2}`), "setup")
	o.Float("a", mm)
	o.Int("n", 0, 20)
	o.String("s", 5)
	o.Enum("e", "one", "two")
	o.Bool("b")
	o.Object("o").Float("never reported twice", mm)
	for _, each := range o.Objects("l", 1, 3) {
		each.Float("v", mm)
	}
	o.Objects("l2", 1, 3)
	o.Strings("w", 0, 2, 3)
	o.Object("in")
	o.Float("twice", mm)
	o.Float("gone", strict.Range{Max: 5, Unit: "mm", Above: true})
	require.Equal(t, []string{
		"setup.twice: given once",
		"setup.a: a number from -10 to 100 mm",
		"setup.n: a whole number from 0 to 20",
		"setup.s: a text of 1 to 5 characters",
		"setup.e: one of one, two",
		"setup.b: true or false",
		"setup.o: an object",
		"setup.l[1]: an object",
		"setup.l[0].v: a number from -10 to 100 mm",
		"setup.l[2].v: missing: a number from -10 to 100 mm",
		"setup.l2: a list of 1 to 3 objects",
		"setup.w[1]: a text of 1 to 3 characters",
		"setup.gone: missing: a number above 0 and up to 5 mm",
		"setup.extra: no such key: leave it out",
		"setup.in.x: no such key: leave it out",
	}, fields(t, o.Close()))
}

func TestRefusesWhatIsNotOneObject(t *testing.T) {
	t.Parallel()
	for name, in := range map[string]string{
		"empty": ``, "trailing": `{} {}`, "trailing text": `{}x`, "cut off": `{"a": [1,`, "not UTF-8": "{\"a\": \"\xff\"}",
		"NaN": `{"a": NaN}`, "leading zero": `{"a": 01}`, "comma": `{"a": 1,}`, "single quotes": `{'a': 1}`,
		"missing comma": `{"a": [1 2]}`,
		"deep":          strings.Repeat(`{"a":`, strict.MaxDepth+1) + `1` + strings.Repeat(`}`, strict.MaxDepth+1),
	} {
		require.True(t, fault.Is(strict.Read([]byte(in), "").Close(), fault.Malformed), name)
	}
	for _, in := range []string{`1`, `"a"`, `null`, `[]`, `true`} {
		require.Equal(t, []string{"the input: an object"}, fields(t, strict.Read([]byte(in), "").Close()), in)
	}
}

func TestListsNoMoreFaultsThanTheLimit(t *testing.T) {
	t.Parallel()
	many := map[string]int{}
	for i := range 3 * strict.MaxFields {
		many[fmt.Sprint("k", i)] = i
	}
	raw, err := json.Marshal(many)
	require.NoError(t, err)
	require.Len(t, fields(t, strict.Read(raw, "").Close()), strict.MaxFields)
}

// TestMembers counts them on both sides of the places where the way of finding them changes and where there are too many.
func TestMembers(t *testing.T) {
	t.Parallel()
	write := func(n int, more string) []byte {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, `"k%d": %d, `, i, i)
		}
		return []byte(`{"in": {` + b.String() + more + `}}`)
	}
	for _, n := range []int{1, 15, 16, 17, 18, strict.MaxMembers - 1} {
		o := strict.Read(write(n, `"last": 0`), "")
		in := o.Object("in")
		require.Len(t, in.Keys(), n+1)
		for i := range n {
			require.Equal(t, int64(i), in.Int(fmt.Sprint("k", i), 0, 1000))
		}
		require.False(t, in.Has("k"))
		require.Equal(t, []string{"in.last: no such key: leave it out"}, fields(t, o.Close()))

		o = strict.Read(write(n, `"k0": 7`), "")
		require.Zero(t, o.Object("in").Int("k0", 0, 9), "the first one counts")
		require.Equal(t, "in.k0: given once", fields(t, o.Close())[0], n)
	}
	err := strict.Read(write(strict.MaxMembers, `"last": 0`), "").Close()
	require.True(t, fault.Is(err, fault.Malformed), "%v", err)
	require.ErrorContains(t, err, "an object of more than 512 members")
}

// TestManyFaultsAreCheap counts what reading takes in memory, which does not depend on how busy the machine is: a long
// path is not written out for each of many faults.
func TestManyFaultsAreCheap(t *testing.T) {
	in := []byte(`{"` + strings.Repeat("p", 50_000) + `":{` + strings.Repeat(`"a":1,`, 20_000) + `"z":1}}`)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	require.Error(t, strict.Read(in, "").Close())
	runtime.ReadMemStats(&after)
	// Forty paths of 50 kB and 20,000 short strings stay well under 16 MiB; a path for each fault would be 1 GB.
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20))
}

func FuzzRead(f *testing.F) {
	for _, seed := range []string{`{}`, `{"a": 1, "l": [{"v": 2}], "r": {"x": [null]}}`, `[`, `{"a": "\ud800"}`, `{"a":1e309}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		o := strict.Read(raw, "p")
		v := o.Float("a", mm)
		for _, each := range o.OptObjects("l", 0, 4) {
			each.Int("v", 0, 9)
		}
		kept := o.OptRaw("r")
		if o.Close() == nil {
			require.True(t, json.Valid(raw))
			require.True(t, v >= mm.Min && v <= mm.Max)
			require.True(t, kept == nil || json.Valid(kept))
		}
	})
}

func ExampleRead() {
	o := strict.Read([]byte(`{"distance_mm": 0, "sides": 2}`), "setup")
	o.Float("distance_mm", strict.Range{Max: 20000, Unit: "mm", Above: true})
	o.Enum("side", "ahead", "behind")
	fmt.Println(o.Close())
	// Output:
	// The input is not usable as it stands: setup.distance_mm: a number above 0 and up to 20000 mm; setup.side: missing: one of ahead, behind; setup.sides: no such key: leave it out
}

// Characters that change the order of others are found wherever a text stands, written out or escaped (Unicode Standard Annex 9,
// table 4, of version 16, from memory: LRE, RLE, PDF, LRO, RLO, LRI, RLI, FSI, PDI); scripts written from the right are not, nor are
// their marks, joiners and other signs of the same blocks.
func TestInOrder(t *testing.T) {
	t.Parallel()
	for _, r := range "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069" {
		for _, written := range []string{string(r), fmt.Sprintf(`\u%04x`, r)} {
			o := strict.Read([]byte(`{"a":[{"b":"x"},{"b":"set `+written+`1200"}],"c":1,"d":"`+written+`"}`), "data")
			o.Ignore()
			for _, each := range o.Objects("a", 0, 9) {
				each.Ignore()
			}
			o.InOrder()
			err := o.Close()
			require.True(t, fault.Is(err, fault.InvalidInput), "%q", r)
			require.Len(t, fields(t, err), 2)
			require.Contains(t, err.Error(), "data.a[1].b")
			require.Contains(t, err.Error(), "data.d")
		}
	}
	for _, text := range []string{"هدف 1200", "יעד\u200f 1200", "– “x” • …", "\u200b\u2064\u206a", `a \\u202e`} {
		o := strict.Read([]byte(`{"a":"`+text+`"}`), "")
		o.Ignore()
		o.InOrder()
		require.NoError(t, o.Close(), text)
	}
	strict.Read([]byte(`[]`), "").InOrder()
}
