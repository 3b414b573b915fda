// Package vehicle reads what identifies a car and its state in numbers everyone in the trade writes the same way: the
// vehicle identification number, diagnostic trouble codes and the figures of a wheel alignment.
//
// Everything here is a pure function of its arguments. Angles are whole microdegrees, in names as Udeg; toe-in is
// positive, and so is a thrust angle to the right.
package vehicle

import (
	"fmt"
	"strings"
)

// VIN is a vehicle identification number of the form that ParseVIN accepts.
type VIN string

// VINLength is the number of characters of every VIN since 1981.
const VINLength = 17

// checkPosition is where the check digit stands, from 0.
const checkPosition = 8

// values transliterates the characters a VIN may have (49 CFR 565.15, table III). I, O and Q are not among them.
var values = map[byte]int{
	'0': 0, '1': 1, '2': 2, '3': 3, '4': 4, '5': 5, '6': 6, '7': 7, '8': 8, '9': 9,
	'A': 1, 'B': 2, 'C': 3, 'D': 4, 'E': 5, 'F': 6, 'G': 7, 'H': 8,
	'J': 1, 'K': 2, 'L': 3, 'M': 4, 'N': 5, 'P': 7, 'R': 9,
	'S': 2, 'T': 3, 'U': 4, 'V': 5, 'W': 6, 'X': 7, 'Y': 8, 'Z': 9,
}

// meant is the digit that a letter which no VIN has was most likely read for.
var meant = map[rune]string{'I': "1", 'O': "0", 'Q': "0 or 9"}

// weights by position (49 CFR 565.15, table IV); the check digit's own weighs nothing.
var weights = [VINLength]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// ParseVIN accepts 17 capital letters and digits without I, O and Q. The check digit is not part of the form: outside
// North America it need not hold. The error says what is wrong, for whoever typed it.
func ParseVIN(s string) (VIN, error) {
	if n := len([]rune(s)); n != VINLength {
		return "", fmt.Errorf("17 characters: these are %d", n)
	}
	for i, r := range []rune(s) {
		switch {
		case r >= 'a' && r <= 'z':
			return "", fmt.Errorf("capital letters and digits: character %d is %q", i+1, r)
		case meant[r] != "":
			return "", fmt.Errorf("no I, O or Q, which a VIN never has: character %d is %q, look for %s", i+1, r, meant[r])
		case r > 'Z':
			return "", fmt.Errorf("capital letters and digits: character %d is %q", i+1, r)
		}
		if _, ok := values[byte(r)]; !ok {
			return "", fmt.Errorf("capital letters and digits: character %d is %q", i+1, r)
		}
	}
	// The sum of a row of zeros is 0 and of a row of ones 89: both would pass the check.
	if strings.Count(s, s[:1]) == VINLength {
		return "", fmt.Errorf("the number on the car: this is one character 17 times")
	}
	return VIN(s), nil
}

// CheckDigit computes the digit that position 9 must have under 49 CFR 565: 0 to 9, or X for ten.
//
// It cannot tell apart letters and digits of equal value (1, A and J and so on), nor characters swapped between two
// positions of equal weight.
func (v VIN) CheckDigit() byte {
	sum := 0
	for i := range weights {
		sum += weights[i] * values[v[i]]
	}
	return "0123456789X"[sum%11]
}

// Check is whether a VIN's check digit holds.
type Check string

// A failed check is a warning, not a fault: carmakers outside North America use position 9 as they like.
const (
	CheckHolds Check = "holds"
	CheckFails Check = "fails"
)

// Check compares position 9 with what it must be under 49 CFR 565.
func (v VIN) Check() Check {
	if v[checkPosition] == v.CheckDigit() {
		return CheckHolds
	}
	return CheckFails
}
