package vehicle_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/vehicle"
)

// The table of 49 CFR 565.15 for position 10, from memory: A is 1980, Y is 2000, 1 to 9 are 2001 to 2009, A again 2010.
// The position 7 rule is from the same section: numeric up to 2009 and alphabetic from 2010 for light vehicles.
func TestModelYear(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		vin                      string
		earlier, later, likelier int
	}{
		{"1G4AH59H45G118341", 2005, 2035, 2005}, // the sample of 49 CFR 565
		{"1M8GDM9AXKP042788", 1989, 2019, 1989}, // an encyclopaedia's worked sample
		{"1HGCM82633A004352", 2003, 2033, 2003},
		{"5YJ3E1EA7HF000337", 1987, 2017, 2017},
		{"1FADP3F20EL425205", 1984, 2014, 2014},
		{"4S3BWGG68P3995016", 1993, 2023, 2023},
		{"11111111A11111111", 2001, 2031, 2001},
		{"111111AA1A1111111", 1980, 2010, 2010},
		{"111111A1111111111", 2001, 2031, 2031},
		{"111111111Y1111111", 2000, 2030, 2000},
		{"11111111191111111", 2009, 2039, 2009},
	} {
		v, err := vehicle.ParseVIN(c.vin)
		require.NoError(t, err)
		y, ok := v.ModelYear()
		require.True(t, ok, c.vin)
		require.Equal(t, vehicle.ModelYear{Earlier: c.earlier, Later: c.later, Likelier: c.likelier}, y, c.vin)
	}
	for _, c := range "0UZ" { // I, O and Q no VIN has
		_, ok := vehicle.VIN("111111111" + string(c) + "1111111").ModelYear()
		require.False(t, ok, "%c stands for no year", c)
	}
}

// Every one of the 30 characters has its own two years, and together they are 1980 to 2039.
func TestEveryYearHasOneCharacter(t *testing.T) {
	t.Parallel()
	seen := map[int]bool{}
	for _, c := range "0123456789ABCDEFGHJKLMNPRSTUVWXYZ" {
		if y, ok := vehicle.VIN("111111111" + string(c) + "1111111").ModelYear(); ok {
			require.False(t, seen[y.Earlier] || seen[y.Later])
			seen[y.Earlier], seen[y.Later] = true, true
			require.Equal(t, 30, y.Later-y.Earlier)
		}
	}
	require.Len(t, seen, 60)
	for year := 1980; year <= 2039; year++ {
		require.True(t, seen[year], year)
	}
}
