package vehicle_test

import (
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/vehicle"
)

// Sources: testdata/dtc/README.md.
func TestPublishedCodes(t *testing.T) {
	t.Parallel()
	rows := table(t, "../../testdata/dtc/codes.csv")
	require.Len(t, rows, 76)
	for _, row := range rows {
		var b [3]byte
		n, err := hex.Decode(b[:], []byte(row[0]))
		require.NoError(t, err)
		require.Equal(t, 3, n)
		c := vehicle.CodeOfBytes(b)
		require.Equal(t, row[1], c.String())
		back, err := vehicle.ParseCode(row[1])
		require.NoError(t, err)
		require.Equal(t, c, back)
	}
}

// The two-byte form is the three-byte one without its last byte (from memory of SAE J2012; C0051 and U0140 stand in a
// public list of codes with the bytes given here).
func TestShortCodes(t *testing.T) {
	t.Parallel()
	for text, bytes := range map[string]uint16{"P0143": 0x0143, "C0051": 0x4051, "U0140": 0xC140, "B1000": 0x9000, "U3FFF": 0xFFFF} {
		c, err := vehicle.ParseCode(text)
		require.NoError(t, err)
		require.Equal(t, vehicle.Code{Fault: bytes}, c)
		require.Equal(t, text, c.String())
	}
	long, err := vehicle.ParseCode("P0143-00")
	require.NoError(t, err)
	require.Equal(t, "P0143-00", long.String(), "failure type 00 is one, and not the same as none")
}

func TestNoCodes(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"", "P", "p0805", "P4805", "A0805", "P080", "P08055", "P0805-1", "P0805-111", "P0805 11", "P080G", "P0805-1G",
		"P0a05", "P+805", "P0805-+1", "P0805-11 ", "0805-11", "PÄ80",
	} {
		_, err := vehicle.ParseCode(text)
		require.Error(t, err, "%q", text)
	}
}

// ISO 14229-1:2013, 11.3.5.3: asked with mask 84 where 7F is supported, P0A9B-17 with status 24 and P0805-11 with
// status 2F are reported and P2522-1F with status 00 is not. After clearing, with no test run, a status is 50.
func TestStatus(t *testing.T) {
	t.Parallel()
	require.True(t, vehicle.Status(0x24).Matches(0x84, 0x7F))
	require.True(t, vehicle.Status(0x2F).Matches(0x84, 0x7F))
	require.False(t, vehicle.Status(0x00).Matches(0x84, 0x7F))
	require.False(t, vehicle.WarningRequested.Matches(0x84, 0x7F), "bit 7 is not supported there")

	require.Equal(t, []string{"not-tested-since-clear", "not-tested-this-cycle"}, vehicle.Status(0x50).Names())
	require.Equal(t, []string{"test-failed", "test-failed-this-cycle", "pending", "confirmed", "failed-since-clear"}, vehicle.Status(0x2F).Names())
	require.Empty(t, vehicle.Status(0).Names())
	require.Len(t, vehicle.Status(0xFF).Names(), 8)
}

func FuzzParseCode(f *testing.F) {
	for _, s := range []string{"P0805-11", "U3FFF", "C0051", "", "P4000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if c, err := vehicle.ParseCode(s); err == nil {
			require.Equal(t, s, c.String())
		}
	})
}

func FuzzParseVIN(f *testing.F) {
	for _, s := range []string{"1G4AH59H45G118341", "1M8GDM9AXKP042788", "", "I"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := vehicle.ParseVIN(s); err == nil {
			require.Equal(t, s, string(v))
			v.Check()
		}
	})
}
