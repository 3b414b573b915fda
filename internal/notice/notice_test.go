package notice_test

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/notice"
	"readback/internal/vehicle"
)

var update = flag.Bool("update", false, "write the golden pages")

var outcomes = []string{calibration.NotCompleted, calibration.Interrupted, calibration.Withdrawn}

func example() notice.Notice {
	return notice.Notice{
		Calibration: "01940000-0000-7000-8000-00000000e002", Job: "01940000-0000-7000-8000-00000000e001",
		Shop: "North Lane Motors (invented)", Phone: "+00 555 0100", VIN: "ZZZDEM0A4CR000017", Plate: "DEMO 17",
		Sensor: "front-camera", Outcome: calibration.NotCompleted, Reason: "It would not learn <at the left>.",
		Declared: time.Date(2026, 11, 25, 16, 4, 0, 0, time.FixedZone("", 3600)), Entry: 64, Attempts: 2,
		Positions: []calibration.PositionResult{
			{Position: "centre", Outcome: calibration.Completed, Attempt: 2, Leg: 1},
			{Position: "left", Outcome: calibration.LegNotCompleted, Attempt: 2, Leg: 2}, {Position: "right", Outcome: calibration.NotRun},
		},
	}
}

// TestPages keeps the pages of every language as a person has read them.
func TestPages(t *testing.T) {
	t.Parallel()
	for _, language := range calibration.NoticeLanguages {
		got, err := notice.Page(language, example())
		require.NoError(t, err)
		file := filepath.Join("testdata", language+".html")
		if *update {
			require.NoError(t, os.WriteFile(file, got, 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), string(got))
		again, err := notice.Page(language, example())
		require.NoError(t, err)
		require.Equal(t, got, again)
	}
}

// TestEverySensorAndOutcome has a word in every language, and nothing on the page claims what nobody can claim.
func TestEverySensorAndOutcome(t *testing.T) {
	t.Parallel()
	never := regexp.MustCompile(`(?i)certif|guarantee|safe to drive|zertifi|garantier|verkehrssicher|100\s?%`)
	for _, language := range calibration.NoticeLanguages {
		titles := map[string]bool{}
		for _, sensor := range vehicle.Sensors() {
			for _, outcome := range outcomes {
				n := example()
				n.Sensor, n.Outcome = sensor, outcome
				page, err := notice.Page(language, n)
				require.NoError(t, err, "%s %s %s", language, sensor, outcome)
				require.NotRegexp(t, never, string(page))
				require.NotContains(t, string(page), "%!", "a text with a place for another value")
				require.Contains(t, string(page), "&lt;at the left&gt;", "what people write is text and nothing else")
				titles[regexp.MustCompile(`<h1>.*</h1>`).FindString(string(page))] = true
			}
		}
		require.Len(t, titles, len(outcomes))
	}
	n := example()
	for _, wrong := range []func(){
		func() { n.Outcome = calibration.Completed }, func() { n = example(); n.Sensor = "sonar" },
	} {
		wrong()
		_, err := notice.Page("en", n)
		require.Error(t, err)
	}
	_, err := notice.Page("tlh", example())
	require.Error(t, err)
}
