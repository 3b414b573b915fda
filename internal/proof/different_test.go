package proof

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestDifferent(t *testing.T) {
	t.Parallel()
	computed := map[string]bool{"verdict": true}
	for _, c := range []struct{ recorded, again, want string }{
		{`{"a":1}`, `{"a":1}`, ""},
		{`{"a":1}`, `{"a":2}`, "a is recorded as 1 and comes out as 2"},
		{`{"a":[1,{"b":"x"}]}`, `{"a":[1,{"b":"y"}]}`, `a[1].b is recorded as "x" and comes out as "y"`},
		{`{"a":[1]}`, `{"a":[1,2]}`, "a has 1 elements, not 2"},
		{`{"a":1}`, `{}`, "a is too much"},
		{`{}`, `{"a":1}`, "a is missing"},
		{`{"a":1}`, `{"a":"1"}`, `a is recorded as 1 and comes out as "1"`},
		{`{"a":true}`, `{"a":false}`, "a is recorded as true and comes out as false"},
		{`{"a":{}}`, `{"a":[]}`, "a is recorded as {} and comes out as []"},
		{`{"verdict":{"x_um":[1,-5]}}`, `{"verdict":{"x_um":[2,-6]}}`, ""},
		{`{"verdict":{"at_um":{"x":1}}}`, `{"verdict":{"at_um":{"x":2}}}`, ""},
		{`{"verdict":{"um":1,"b_udeg":1,"c_ppm":1}}`, `{"verdict":{"um":2,"b_udeg":0,"c_ppm":2}}`, ""},
		{`{"verdict":{"x_um":1}}`, `{"verdict":{"x_um":3}}`, "verdict.x_um is recorded as 1 and comes out as 3"},
		{`{"verdict":{"x_um":"1"}}`, `{"verdict":{"x_um":"2"}}`, `verdict.x_um is recorded as "1" and comes out as "2"`},
		{`{"verdict":{"reading":1}}`, `{"verdict":{"reading":2}}`, "verdict.reading is recorded as 1 and comes out as 2"},
		{`{"verdict":{"number":1}}`, `{"verdict":{"number":2}}`, "verdict.number is recorded as 1 and comes out as 2"},
		{`{"verdicts":{"x_um":1}}`, `{"verdicts":{"x_um":2}}`, "verdicts.x_um is recorded as 1 and comes out as 2"},
		{`{"a":{"verdict":{"um":1}},"um":1}`, `{"a":{"verdict":{"um":0}},"um":2}`, "um is recorded as 1 and comes out as 2"},
		{`{"verdict":{"um":9007199254740991}}`, `{"verdict":{"um":-9007199254740991}}`, "verdict.um is recorded as 9007199254740991 and comes out as -9007199254740991"},
	} {
		require.Equal(t, c.want, different([]byte(c.recorded), []byte(c.again), computed), "%s against %s", c.recorded, c.again)
	}
}

func TestDifferentTakesNumbersOneApartOnly(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Int64Range(-1<<52, 1<<52).Draw(t, "a")
		d := rapid.Int64Range(-3, 3).Draw(t, "d")
		doc := func(n int64) []byte { return []byte(`{"v_um":` + strconv.FormatInt(n, 10) + `}`) }
		same := different(doc(a), doc(a+d), map[string]bool{"v_um": true}) == ""
		require.Equal(t, d >= -1 && d <= 1, same)
		require.Equal(t, d == 0, different(doc(a), doc(a+d), nil) == "")
	})
}
