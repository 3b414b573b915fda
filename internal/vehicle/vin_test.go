package vehicle_test

import (
	"encoding/csv"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/vehicle"
)

func table(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	return rows[1:]
}

// Sources: testdata/vin/README.md.
func TestPublishedNumbers(t *testing.T) {
	t.Parallel()
	rows := table(t, "../../testdata/vin/vectors.csv")
	require.Len(t, rows, 32)
	for _, row := range rows {
		v := vehicle.VIN(row[0])
		require.Equal(t, row[3], string(v.CheckDigit()), row[0])
		want := vehicle.CheckFails
		if row[5] == "True" {
			want = vehicle.CheckHolds
		}
		require.Equal(t, want, v.Check(), row[0])
		got, err := vehicle.ParseVIN(row[0])
		if strings.Count(row[0], row[0][:1]) == vehicle.VINLength {
			require.ErrorContains(t, err, "one character", row[0])
			continue
		}
		require.NoError(t, err, row[0])
		require.Equal(t, v, got)
	}
}

// Each is 49 CFR 565's sample, 1G4AH59H45G118341, or the public sample 5GZCZ43D13S812715 with a mistake.
func TestForm(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ vin, want string }{
		{"", "these are 0"},
		{"1G4AH59H45G11834", "these are 16"},
		{"1G4AH59H45G1183411", "these are 18"},
		{"1g4AH59H45G118341", `character 2 is 'g'`},
		{"IG4AH59H45G118341", `character 1 is 'I', look for 1`},
		{"1G4AH59H45G118O41", `character 15 is 'O', look for 0`},
		{"1Q4AH59H45G118341", `character 2 is 'Q', look for 0 or 9`},
		{"1G4AH59H45G118 41", `character 15 is ' '`},
		{"1G4AH59H45G118-41", `character 15 is '-'`},
		{"1G4AH59H45G118341\n", "these are 18"},
		{"ÉG4AH59H45G118341", `character 1 is 'É'`},
		{"１G4AH59H45G118341", `character 1`}, // a full-width digit
		{"1G4AH59H45G11834\xff", "character 17"},
		{"00000000000000000", "one character"},
	} {
		_, err := vehicle.ParseVIN(c.vin)
		require.ErrorContains(t, err, c.want, "%q", c.vin)
	}
}

// What the check can see follows from the arithmetic of 49 CFR 565: any other value in one place changes the sum by
// less than a multiple of 11 — the weights and the differences of values are all below 11, and 11 is prime — except in
// position 9 itself, whose change shows directly. Letters of equal value cannot be told apart.
func TestOneWrongCharacter(t *testing.T) {
	t.Parallel()
	const alphabet = "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"
	equal := []string{"0", "1AJ", "2BKS", "3CLT", "4DMU", "5ENV", "6FW", "7GPX", "8HY", "9RZ"}
	rapid.Check(t, func(t *rapid.T) {
		b := []byte(rapid.StringOfN(rapid.RuneFrom([]rune(alphabet)), 17, 17, 17).Draw(t, "vin"))
		b[8] = vehicle.VIN(b).CheckDigit()
		require.Equal(t, vehicle.CheckHolds, vehicle.VIN(b).Check())

		at := rapid.IntRange(0, 16).Draw(t, "at")
		was := b[at]
		b[at] = rapid.SampledFrom([]byte(alphabet)).Draw(t, "wrong")
		same := b[at] == was
		if at != 8 {
			for _, set := range equal {
				same = same || strings.IndexByte(set, was) >= 0 && strings.IndexByte(set, b[at]) >= 0
			}
		}
		require.Equal(t, same, vehicle.VIN(b).Check() == vehicle.CheckHolds, "%s, was %c at %d", b, was, at+1)
	})
}

// Positions 1 and 11, 2 and 12 and so on to 7 and 17 have equal weights: a swap there cannot be seen.
func TestSwapsNobodyCanSee(t *testing.T) {
	t.Parallel()
	const sample = "1G4AH59H45G118341"
	for i := range 7 {
		b := []byte(sample)
		b[i], b[i+10] = b[i+10], b[i]
		require.Equal(t, vehicle.CheckHolds, vehicle.VIN(b).Check(), "%s", b)
	}
}
