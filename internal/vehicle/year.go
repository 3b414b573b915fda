package vehicle

import "strings"

// yearCodes are the characters of position 10 in the order of the years, from 1980 (49 CFR 565.15, table VII). After 30
// years they begin again.
const yearCodes = "ABCDEFGHJKLMNPRSTVWXY123456789"

const (
	yearPosition   = 9 // from 0
	seriesPosition = 6 // tells the two rounds of years apart
	firstYear      = 1980
)

// ModelYear is what position 10 says of a car's model year: one of two, 30 years apart.
type ModelYear struct {
	Earlier int `json:"earlier"` // 1980 to 2009
	Later   int `json:"later"`   // 2010 to 2039
	// Likelier is the one of the two that position 7 speaks for. It holds for light vehicles made for North America:
	// a digit there up to 2009, a letter from 2010. On others it is a guess.
	Likelier int `json:"likelier"`
}

// ModelYear reads position 10. False: the character stands for no year, as on many cars made for elsewhere; there
// position 10 may also hold a character that stands for one and means something else.
func (v VIN) ModelYear() (ModelYear, bool) {
	i := strings.IndexByte(yearCodes, v[yearPosition])
	if i < 0 {
		return ModelYear{}, false
	}
	y := ModelYear{Earlier: firstYear + i, Later: firstYear + len(yearCodes) + i}
	y.Likelier = y.Later
	if c := v[seriesPosition]; '0' <= c && c <= '9' {
		y.Likelier = y.Earlier
	}
	return y, true
}
