package httpapi_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

const (
	theBay   = "01940000-0000-7000-8000-0000000000b1"
	theLaser = "01940000-0000-7000-8000-0000000000c1"
)

func readingOf(n int) string {
	return fmt.Sprintf(`{"n":%d,"readings":[{"quantity":"datum-distance","instrument":%q,"value_um":2000000}]}`, n, theLaser)
}

// TestGatewayTokens: each device's token is good for what the device is for, and for nothing else.
func TestGatewayTokens(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	gateway, id := s.Gateway(owner, "Gauges", theBay, theLaser)
	reader, tied := s.Device(owner, "Reader")
	require.Regexp(t, `^rbdevice_[A-Za-z0-9_-]{43}$`, gateway.Token)
	problem(t, gateway.Post("/v1/readings", readingOf(1)), fault.NotMet, "guard") // let in; nothing is placed

	before := s.Stored()
	none := s.Nobody().Post("/v1/readings", readingOf(1))
	require.Equal(t, "Bearer", none.Header.Get("WWW-Authenticate"))
	problem(t, none, fault.SignInNeeded, "Authorization")
	for name, c := range map[string]*apptest.Client{
		"a vehicle interface's": reader, "a technician's": bearer(s, s.As(apptest.Technician).Token), "an owner's": bearer(s, owner.Token),
		"one never made": bearer(s, "rbdevice_"+strings.Repeat("A", 43)), "half of one": bearer(s, gateway.Token[:30]), "another scheme": s.Nobody().With("Authorization", "Basic "+gateway.Token),
	} {
		for _, body := range []string{readingOf(1), "{", strings.Repeat("x", 300_000)} {
			got := c.Post("/v1/readings", body)
			require.Equal(t, none.Status, got.Status, name)
			require.Equal(t, none.Body, got.Body, name)
		}
	}
	car := announcement(stream.NewID(), someVIN(1))
	require.Equal(t, s.Nobody().Post("/v1/announcements", car).Body, gateway.Post("/v1/announcements", car).Body, "it announces nothing")
	for _, path := range []string{"/v1/me", "/v1/jobs", "/v1/registers", "/v1/calibrations", "/v1/queue", "/v1/sessions", "/v1/registers/" + owner.Access.Org.String()} {
		problem(t, gateway.Get(path), fault.SignInNeeded)
	}
	problem(t, gateway.Post("/v1/interfaces/"+id.String()+"/token", ""), fault.SignInNeeded)
	require.Equal(t, before, s.Stored())

	// It is in no car.
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	got := tech.Post(job.Path()+"/commands", apptest.Body(stream.NewID(), job.Seq, "tie-interface", fmt.Sprintf(`{"interface":%q}`, id)))
	problem(t, got, fault.NotMet, "guard")
	tech.Do(job, "tie-interface", fmt.Sprintf(`{"interface":%q}`, tied))
}

// TestReadingsAsTheyAreSent: what is wrong is named as it was sent, and who sends too often is told.
func TestReadingsAsTheyAreSent(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, tech := s.As(apptest.ShopOwner), s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Do(cal, "issue-sheet", `{"setup":{"sensor":"front-camera","datum":"front-bumper","datum_height_um":400000,"line":"centreline","distance_um":2000000,
		"height_um":600000,"positions":[{"name":"middle","lateral_um":0}],"tolerance":{"distance_um":6000,"lateral_um":6000}},
		"fixture":"01940000-0000-7000-8000-0000000000f1","dimensions":"01940000-0000-7000-8000-0000000000e1","bay":"`+theBay+`",
		"source":{"title":"Invented service information","dated":"2026-03-01","version":"4"},"limits":"stated","measure":[]}`)
	for body, fields := range map[string][]string{
		`{}`:                    {"n", "readings"},
		`{"n":1,"readings":[]}`: {"readings"},
		`{"n":-1,"readings":[{"quantity":"datum-distance"}]}`:                       {"n"},
		`{"n":1,"readings":[{"quantity":"datum-distance"}]}`:                        {"readings[0].instrument"},
		strings.Replace(readingOf(1), `"n":1`, `"n":1,"calibration":"x"`, 1):        {"calibration"},
		strings.Replace(readingOf(1), theLaser, stream.NewID().String(), 1):         {"guard"},
		strings.Replace(readingOf(1), `"value_um":2000000`, `"value_um":2000.5`, 1): {"readings[0].value_um"},
	} {
		gateway, _ := s.Gateway(owner, "Gauges "+stream.NewID().String(), theBay, theLaser) // each with a pace of its own
		got := gateway.Post("/v1/readings", body)
		for _, field := range fields {
			require.Contains(t, got.Body, fmt.Sprintf(`"field":%q`, field), "%s: %s", body, got.Body)
		}
	}
	gateway, _ := s.Gateway(owner, "Gauges", theBay, theLaser)
	problem(t, gateway.With("Content-Type", "text/plain").Ask("POST", "/v1/readings", readingOf(1)), fault.Malformed, "Content-Type")
	const atOnce = 100
	for range 20 { // as many at once as even a slow machine takes faster than ten a second
		answers := make([]apptest.Answer, atOnce)
		var all sync.WaitGroup
		for n := range atOnce {
			all.Go(func() { answers[n] = gateway.Post("/v1/readings", readingOf(n)) })
		}
		all.Wait()
		for _, got := range answers {
			if got.Status == http.StatusTooManyRequests {
				problem(t, got, fault.TooMany)
				return
			}
			require.Equal(t, http.StatusOK, got.Status, got.Body)
		}
	}
	require.Fail(t, "never told to wait")
}
