package job_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
)

// TestClues: what is asked for is found by what was entered, however either is spaced. The VIN is that of 49 CFR 565.15's
// worked example, table V, from memory.
func TestClues(t *testing.T) {
	t.Parallel()
	said := job.Clues(stream.Command{Data: []byte(`{"plate":"inv ab-12e","vin":"1G4AH59H45G118341","mileage_km":12}`)})
	for _, asked := range []string{"INV-AB12E", "invab12e", "iNV aB 12-E"} {
		got, err := job.PlateClue("plate", asked)
		require.NoError(t, err)
		require.Contains(t, said, got, asked)
	}
	for _, asked := range []string{"1G4AH59H45G118341", "1g4ah 59h45 g118341", "118341", "118 341"} {
		got, err := job.VINClue("vin", asked)
		require.NoError(t, err)
		require.Contains(t, said, got, asked)
	}
	plate, err := job.PlateClue("plate", "118341")
	require.NoError(t, err)
	require.NotContains(t, said, plate, "the end of a VIN is no plate")

	require.Empty(t, job.Clues(stream.Command{Data: []byte(`{"text":"INV AB 12E"}`)}))
	for _, bad := range []string{"", "118", "11834I", "1G4AH59H45G11834O", "1G4AH59H45G1183411"} {
		_, err := job.VINClue("vin", bad)
		require.Equal(t, "vin", fault.Of(err).Fields[0].Name, bad)
	}
	for _, bad := range []string{"", " - ", "INV_1", "INVINVINVINVINV1"} {
		_, err := job.PlateClue("plate", bad)
		require.Equal(t, "plate", fault.Of(err).Fields[0].Name, bad)
	}
}
