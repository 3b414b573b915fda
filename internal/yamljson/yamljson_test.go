package yamljson_test

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/yamljson"
)

func TestConvert(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"a: 1\nb: [x, 2.5, true, -0.5e3]\n":           `{"a":1,"b":["x",2.5,true,-0.5e3]}`,
		"dated: 2026-03-01\n":                         `{"dated":"2026-03-01"}`,
		"yes: no\n":                                   `{"yes":"no"}`, // YAML 1.2: no truth values (YAML 1.2.2, section 10.3.2)
		"version: \"4\"\nnext: '5'\n":                 `{"version":"4","next":"5"}`,
		"text: |\n  two\n  lines\n":                   `{"text":"two\nlines\n"}`,
		"{\"json\": [1, {\"is\": \"YAML too\"}]}":     `{"json":[1,{"is":"YAML too"}]}`,
		"- {k: v}\n- []\n- {}\n":                      `[{"k":"v"},[],{}]`,
		"# only a comment before\nk: v # and after\n": `{"k":"v"}`,
	} {
		d, err := yamljson.Convert([]byte(in))
		require.NoError(t, err, in)
		require.True(t, json.Valid(d.JSON), "%s", d.JSON)
		require.JSONEq(t, want, string(d.JSON), in)
	}
}

func TestRefused(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]struct {
		slug  fault.Slug
		field string
	}{
		"":                             {fault.Malformed, ""},
		"# nothing\n":                  {fault.Malformed, ""},
		"a: [1\n":                      {fault.Malformed, ""},
		"a: 1\n---\nb: 2\n":            {fault.Malformed, ""},
		"a: 1\na: 2\n":                 {fault.InvalidInput, "a (line 2)"},
		"x:\n  a: 1\n  b: 2\n  a: 3\n": {fault.InvalidInput, "x.a (line 4)"},
		"a: &x [1]\nb: *x\n":           {fault.InvalidInput, "a (line 1)"},
		"a: {b: 1}\nc: {<<: {d: 1}}\n": {fault.InvalidInput, "c (line 2)"},
		"a: !!str 5\n":                 {fault.InvalidInput, "a (line 1)"},
		"a: !secret x\n":               {fault.InvalidInput, "a (line 1)"},
		"a: ~\n":                       {fault.InvalidInput, "a (line 1)"},
		"a:\n":                         {fault.InvalidInput, "a (line 1)"},
		"list:\n  - 1\n  - 0x1F\n":     {fault.InvalidInput, "list[1] (line 3)"},
		"a: 007\n":                     {fault.InvalidInput, "a (line 1)"},
		"a: 1_000\n":                   {fault.InvalidInput, "a (line 1)"},
		"a: .inf\n":                    {fault.InvalidInput, "a (line 1)"},
		"1: a\n":                       {fault.InvalidInput, "line 1"},
		"[a, b]: c\n":                  {fault.InvalidInput, "line 1"},
		"a: " + strings.Repeat("[", 30) + strings.Repeat("]", 30): {fault.InvalidInput, "a" + strings.Repeat("[0]", 24) + " (line 1)"},
		strings.Repeat("a", yamljson.MaxBytes+1):                  {fault.TooLarge, ""},
	} {
		_, err := yamljson.Convert([]byte(in))
		require.True(t, fault.Is(err, want.slug), "%.60s: %v", in, err)
		if want.field != "" {
			require.Equal(t, want.field, fault.Of(err).Fields[0].Name, in)
		}
	}
}

func TestEveryFaultIsListed(t *testing.T) {
	t.Parallel()
	_, err := yamljson.Convert([]byte("a: ~\nb: *x\n"))
	require.True(t, fault.Is(err, fault.Malformed), "an alias to nothing is no YAML")
	_, err = yamljson.Convert([]byte("a: ~\nb: &x 1\nb: 2\nc: 0x1\n"))
	require.Len(t, fault.Of(err).Fields, 4)
}

func TestLocate(t *testing.T) {
	t.Parallel()
	d, err := yamljson.Convert([]byte("top:\n  list:\n    - name: a\n    - name: b\n      value: 1\n"))
	require.NoError(t, err)
	got := fault.Of(d.Locate(fault.New(fault.InvalidInput, "No.",
		fault.Field{Name: "top.list[1].value", Want: "x"}, fault.Field{Name: "top.list[1].missing", Want: "x"},
		fault.Field{Name: "top.other.deep", Want: "x"}, fault.Field{Name: "nowhere", Want: "x"})))
	var names []string
	for _, f := range got.Fields {
		names = append(names, f.Name)
	}
	require.Equal(t, []string{"top.list[1].value (line 5)", "top.list[1].missing (line 4)", "top.other.deep (line 1)", "nowhere (line 1)"}, names)
	plain := errors.New("something else")
	require.Equal(t, plain, d.Locate(plain))
}

// A document that would grow a millionfold by its aliases is refused without growing.
func TestAliasBomb(t *testing.T) {
	t.Parallel()
	bomb := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c < 'i'; c++ {
		before := string(c - 1)
		bomb += string(c) + ": &" + string(c) + " [" + strings.TrimSuffix(strings.Repeat("*"+before+",", 9), ",") + "]\n"
	}
	_, err := yamljson.Convert([]byte(bomb))
	require.True(t, fault.Is(err, fault.InvalidInput))
}

// What converts is one JSON value.
func FuzzConvert(f *testing.F) {
	files, err := filepath.Glob("../../testdata/procedures/*.yaml")
	require.NoError(f, err)
	for _, file := range files {
		raw, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		d, err := yamljson.Convert(raw)
		if err != nil {
			require.Equal(t, fault.Invalid, fault.Of(err).Kind(), err)
			return
		}
		require.True(t, json.Valid(d.JSON), "%s", d.JSON)
	})
}
