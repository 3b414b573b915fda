package vehicle

import (
	"errors"
	"fmt"
	"strconv"
)

// Code is a diagnostic trouble code in the form of SAE J2012: two bytes that name the fault, and in the three-byte form
// a failure type byte.
type Code struct {
	Fault       uint16 // two bits for the letter P, C, B or U, two for the first digit, then three hexadecimal digits
	FailureType byte
	Long        bool // has a failure type byte; 00 is one
}

const systems = "PCBU"

var errCode = errors.New("a letter P, C, B or U, a digit 0 to 3, three hexadecimal digits in capitals, and if known a dash and the failure type byte, such as P0805-11")

// ParseCode reads P0805 or P0805-11. The error says what would be right.
func ParseCode(s string) (Code, error) {
	if len(s) != 5 && (len(s) != 8 || s[5] != '-') {
		return Code{}, errCode
	}
	system := -1
	for i := range systems {
		if systems[i] == s[0] {
			system = i
		}
	}
	digits, err := hexadecimal(s[1:5])
	if err != nil || system < 0 || s[1] > '3' {
		return Code{}, errCode
	}
	c := Code{Fault: uint16(system)<<14 | uint16(digits)}
	if len(s) == 8 {
		failure, err := hexadecimal(s[6:])
		if err != nil {
			return Code{}, errCode
		}
		c.FailureType, c.Long = byte(failure), true
	}
	return c, nil
}

// hexadecimal reads digits and capitals only, so that a code has one spelling.
func hexadecimal(s string) (uint64, error) {
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && (s[i] < 'A' || s[i] > 'F') {
			return 0, errCode
		}
	}
	return strconv.ParseUint(s, 16, 16)
}

// String writes the one spelling that ParseCode reads.
func (c Code) String() string {
	short := fmt.Sprintf("%c%d%03X", systems[c.Fault>>14], c.Fault>>12&3, c.Fault&0xFFF)
	if !c.Long {
		return short
	}
	return fmt.Sprintf("%s-%02X", short, c.FailureType)
}

// MarshalText writes what String does.
func (c Code) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads what ParseCode does.
func (c *Code) UnmarshalText(text []byte) error {
	got, err := ParseCode(string(text))
	if err == nil {
		*c = got
	}
	return err
}

// CodeOfBytes reads the three bytes in which a control unit sends a code (ISO 14229-1).
func CodeOfBytes(b [3]byte) Code {
	return Code{Fault: uint16(b[0])<<8 | uint16(b[1]), FailureType: b[2], Long: true}
}

// Status is the status byte of a trouble code (ISO 14229-1, annex D).
type Status byte

// The bits of a status.
const (
	TestFailed Status = 1 << iota
	TestFailedThisCycle
	Pending
	Confirmed
	NotTestedSinceClear
	FailedSinceClear
	NotTestedThisCycle
	WarningRequested
)

var statusNames = [8]string{
	"test-failed", "test-failed-this-cycle", "pending", "confirmed",
	"not-tested-since-clear", "failed-since-clear", "not-tested-this-cycle", "warning-requested",
}

// Names lists the bits that are set, the lowest first.
func (s Status) Names() []string {
	names := []string{}
	for i, name := range statusNames {
		if s&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// Matches reports whether a control unit that supports the available bits reports a code of this status for the mask.
func (s Status) Matches(mask, available Status) bool { return s&mask&available != 0 }
