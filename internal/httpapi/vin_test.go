package httpapi_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestVIN: the check digit warns and does not refuse, and the model year is told with its other meaning 30 years away. The
// numbers are published samples from testdata/vin; years are those of 49 CFR 565.15, table VII (from memory).
func TestVIN(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	type years struct{ Earlier, Later, Likelier int }
	for vin, want := range map[string]struct {
		check string
		years years
	}{
		"1G4AH59H45G118341": {"holds", years{2005, 2035, 2005}}, // the regulation's own sample
		"1J9RP1A36A1644345": {"holds", years{1980, 2010, 2010}}, // position 7 is a letter
		"1M8GDM9AXKP042788": {"holds", years{1989, 2019, 1989}}, // check digit X, for ten
		"JH2RC3605MM101581": {"holds", years{1991, 2021, 1991}},
		"WP0ZZZ99ZTS392124": {"fails", years{1996, 2026, 1996}}, // from where position 9 is no check digit
	} {
		job := apptest.NewStream(stream.Job)
		tech.Do(job, "open-job", fmt.Sprintf(`{"vin":%q}`, vin))
		got := apptest.Read[struct {
			State struct {
				Vehicle struct {
					Check string `json:"vin_check"`
					Year  years  `json:"model_year"`
				}
				Missing []string
			}
		}](tech, ask(t, tech, "GET", job.Path(), "")).State
		require.Equal(t, want.check, got.Vehicle.Check, vin)
		require.Equal(t, want.years, got.Vehicle.Year, vin)
		require.Contains(t, got.Missing, "mileage_km", "what is not known yet is asked for later")
	}
}
