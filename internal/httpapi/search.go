package httpapi

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
	"readback/internal/vehicle"
)

// Search is what calibrations are looked for by; the zero value is all of them.
type Search struct {
	Clues           []string // what their job's car is found by; see job.PlateClue
	Sensor, Outcome string
	Member          *stream.ID // who opened, took, ran, declared, signed or closed it
	Since, Until    time.Time  // opened then or later, and earlier
}

// searched are the parameters.
var searched = []string{"plate", "vin", "sensor", "outcome", "member", "since", "until"}

// searchOf reads them. All that is wrong is told at once.
func searchOf(r *http.Request, kind stream.Kind) (s Search, err error) {
	query := r.URL.Query()
	var faults []fault.Field
	bad := func(name, want string) { faults = append(faults, fault.Field{Name: name, Want: want}) }
	note := func(err error) {
		if err != nil {
			faults = append(faults, fault.Of(err).Fields...)
		}
	}
	for _, name := range searched {
		text := query.Get(name)
		switch {
		case !query.Has(name):
			continue
		case kind != stream.Calibration:
			bad(name, "left out: calibrations are searched, and no others")
			continue
		}
		var clue string
		switch name {
		case "plate":
			clue, err = job.PlateClue(name, text)
			note(err)
			s.Clues = append(s.Clues, clue)
		case "vin":
			clue, err = job.VINClue(name, text)
			note(err)
			s.Clues = append(s.Clues, clue)
		case "sensor":
			s.Sensor = oneOf(name, text, vehicle.Sensors(), bad)
		case "outcome":
			s.Outcome = oneOf(name, text, calibration.Outcomes(), bad)
		case "member":
			id, err := stream.ParseID(name, text)
			note(err)
			s.Member = &id
		case "since":
			s.Since = momentOf(name, text, bad)
		case "until":
			s.Until = momentOf(name, text, bad)
		}
	}
	if len(faults) == 0 && !s.Since.IsZero() && !s.Until.IsZero() && !s.Since.Before(s.Until) {
		bad("until", "later than since, which is "+query.Get("since"))
	}
	if len(faults) > 0 {
		return Search{}, fault.New(fault.InvalidInput, "What to look for is not usable as it stands.", faults...)
	}
	return s, nil
}

func oneOf(name, text string, all []string, bad func(name, want string)) string {
	if !slices.Contains(all, text) {
		bad(name, "one of "+strings.Join(all, ", "))
	}
	return text
}

// momentOf reads a moment of a year that ids can begin with.
func momentOf(name, text string, bad func(name, want string)) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil || t.Year() < 1971 || t.Year() > 9999 {
		bad(name, "a moment such as 2026-11-25T10:00:00Z")
	}
	return t
}
