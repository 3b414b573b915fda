package figure

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestDigits(t *testing.T) {
	t.Parallel()
	for _, each := range []struct {
		value int64
		unit  Unit
		shows string
	}{
		{620_000, MM, "620"}, {620_500, MM, "620.5"}, {620_449, MM, "620.4"}, {620_450, MM, "620.5"}, {-620_450, MM, "-620.5"},
		{0, MM, "0"}, {49, MM, "0"}, {-49, MM, "0"}, {50, MM, "0.1"}, {1_240_000, MM, "1240"},
		// 25.4 mm to the inch: the international yard and pound agreement of 1959, as in NIST SP 811, appendix B.
		{25_400, Inch, "1.000"}, {254_000, Inch, "10.000"}, {304_800, Inch, "12.000"}, {914_400, Inch, "36.000"},
		// 620 mm is 24.40944… in, 1240 mm is 48.81889… in (by hand: 620/25.4).
		{620_000, Inch, "24.409"}, {1_240_000, Inch, "48.819"}, {-620_000, Inch, "-24.409"}, {12, Inch, "0.000"}, {13, Inch, "0.001"},
		{400_000, Deg, "0.4"}, {50_000, Deg, "0.05"}, {4_999, Deg, "0"}, {5_000, Deg, "0.01"}, {-1_500_000, Deg, "-1.5"},
	} {
		require.Equal(t, each.shows, Of(each.value, each.unit).Digits(), "%d in %s", each.value, each.unit)
	}
}

// TestAgainstFractions compares with exact fractions from the standard library: never further than half a last place,
// and for inches never exactly half, as 127 is odd.
func TestAgainstFractions(t *testing.T) {
	t.Parallel()
	last := map[Unit]*big.Rat{MM: big.NewRat(100, 1), Inch: big.NewRat(254, 10), Deg: big.NewRat(10_000, 1)} // in µm, µdeg
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]Unit{MM, Inch, Deg}).Draw(t, "unit")
		value := rapid.Int64Range(-Largest, Largest).Draw(t, "value")
		f := Of(value, unit)
		off := new(big.Rat).SetInt64(f.Last)
		off.Mul(off, last[unit]).Sub(off, new(big.Rat).SetInt64(value)).Abs(off)
		half := new(big.Rat).Mul(last[unit], big.NewRat(1, 2))
		require.LessOrEqual(t, off.Cmp(half), 0, "%d in %s shows %s", value, unit, f.Digits())
		if unit == Inch {
			require.NotZero(t, off.Cmp(half))
		}
	})
}

func TestParseReadsWhatIsShown(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]Unit{MM, Inch, Deg}).Draw(t, "unit")
		f := Of(rapid.Int64Range(-50_000_000, 50_000_000).Draw(t, "value"), unit)
		back, err := Parse(f.Digits(), unit, "value")
		require.NoError(t, err)
		require.Equal(t, f, back)
	})
}

func TestParse(t *testing.T) {
	t.Parallel()
	for text, last := range map[string]int64{"620": 6200, "620.0": 6200, "620,5": 6205, "620.50": 6205, "0": 0, "-1": -10, "\u22121.5": -15, "007": 70} {
		got, err := Parse(text, MM, "value")
		require.NoError(t, err, text)
		require.Equal(t, Figure{last, MM}, got, text)
	}
	for _, text := range []string{"", "-", ".5", "5.", "1.240,5", "1 240", "1'240", "620.55", "6e2", "0x10", "+5", "--5", "620mm", "९", "12345678901234", "NaN"} {
		_, err := Parse(text, MM, "value")
		require.Error(t, err, text)
	}
	_, err := Parse("620", "ft", "value")
	require.ErrorContains(t, err, "mm, in or deg")
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"620", "620,5", "-24.409", "1.", "\u22121"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for unit := range scales {
			got, err := Parse(text, unit, "value")
			if err != nil {
				continue
			}
			again, err := Parse(got.Digits(), unit, "value")
			require.NoError(t, err, text)
			require.Equal(t, got, again, text)
		}
	})
}

func TestSlip(t *testing.T) {
	t.Parallel()
	for _, each := range []struct{ shown, said, slip string }{
		{"620", "260", Transposed}, {"1240", "1420", Transposed}, {"620.5", "62", ""}, {"620", "62", Tenfold}, {"620", "6200", Tenfold},
		{"1240", "12.4", Tenfold}, {"620", "630", OneDigit}, {"620", "620.5", OneDigit}, {"620", "1240", ""}, {"620", "620", ""}, {"1100", "1010", Transposed},
		{"0", "620", ""}, {"620", "20", OneDigit}, {"123", "321", ""},
	} {
		shown, err := Parse(each.shown, MM, "")
		require.NoError(t, err)
		said, err := Parse(each.said, MM, "")
		require.NoError(t, err)
		require.Equal(t, each.slip, Slip(shown, said), "%s said as %s", each.shown, each.said)
	}
}
