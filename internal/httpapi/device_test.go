package httpapi_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// Invented VINs of one form that differ in their last characters; their check digits do not hold, which warns only.
func someVIN(n int) string { return fmt.Sprintf("ZZZDEM0A4CR%06d", n) }

type announced struct {
	Job      stream.ID
	Seq      uint64
	Repeated bool
}

func announcement(id stream.ID, vin string) string { return fmt.Sprintf(`{"id":%q,"vin":%q}`, id, vin) }

// says announces and wants it taken.
func says(t *testing.T, device *apptest.Client, id stream.ID, vin string) announced {
	t.Helper()
	got := ask(t, device, "POST", "/v1/announcements", announcement(id, vin))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	return apptest.Read[announced](device, got)
}

// carOf is a job as its shop sees it, with the two VINs in plain text.
type carOf struct {
	Seq        uint64
	Vehicle    string
	Announced  string
	Equal      bool
	Unattended bool
}

func carIn(t *testing.T, who *apptest.Client, job stream.ID) carOf {
	t.Helper()
	v := apptest.Read[struct {
		Seq   uint64
		State struct {
			Vehicle   struct{ VIN *stream.Sealed }
			Announced *struct {
				VIN      stream.Sealed
				VINEqual bool `json:"vin_equal"`
			}
			Unattended bool
		}
		Opened map[string]string
	}](who, ask(t, who, "GET", "/v1/jobs/"+job.String(), ""))
	c := carOf{Seq: v.Seq, Unattended: v.State.Unattended}
	if v.State.Vehicle.VIN != nil {
		c.Vehicle = v.Opened[v.State.Vehicle.VIN.Sealed.V]
	}
	if a := v.State.Announced; a != nil {
		c.Announced, c.Equal = v.Opened[a.VIN.Sealed.V], a.VINEqual
	}
	return c
}

// listed says which of the shop's jobs wait as announced.
func listed(t *testing.T, who *apptest.Client) map[stream.ID]bool {
	t.Helper()
	rows := apptest.Read[struct {
		Jobs []struct {
			Stream  stream.Ref
			Summary struct{ Announced bool }
		}
	}](who, ask(t, who, "GET", "/v1/jobs?limit=500", ""))
	all := map[stream.ID]bool{}
	for _, r := range rows.Jobs {
		all[r.Stream.ID] = r.Summary.Announced
	}
	return all
}

// TestDeviceTokens: an owner has one made, it is shown once, a new one voids it, and so does retiring the interface.
// Whatever is no good about a token, the answer is the same.
func TestDeviceTokens(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	first, id := s.Device(owner, "Gateway 1")
	require.Regexp(t, `^rbdevice_[A-Za-z0-9_-]{43}$`, first.Token)
	at := "/v1/interfaces/" + id.String() + "/token"
	says(t, first, stream.NewID(), someVIN(1))

	problem(t, s.As(apptest.Technician).Post(at, ""), fault.NotYourRole)
	problem(t, s.As(apptest.Specialist).Post(at, ""), fault.NotYourRole)
	problem(t, s.As(apptest.OtherOwner).Post(at, ""), fault.NotHere)
	problem(t, s.As(apptest.DeskOwner).Post(at, ""), fault.NotHere)
	problem(t, s.Nobody().Post(at, ""), fault.SignInNeeded)
	problem(t, first.Post(at, ""), fault.SignInNeeded)
	problem(t, owner.Post("/v1/interfaces/x/token", ""), fault.InvalidInput, "id")
	problem(t, owner.Post("/v1/interfaces/"+stream.NewID().String()+"/token", ""), fault.NotHere)

	answer := ask(t, owner, "POST", at, "")
	require.Equal(t, "no-store", answer.Header.Get("Cache-Control"))
	second := s.Token(owner, id)
	third, other := s.Device(owner, "Gateway 2")
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "retire", fmt.Sprintf(`{"kind":"interface","id":%q}`, other))
	problem(t, owner.Post("/v1/interfaces/"+other.String()+"/token", ""), fault.NotHere)

	before := s.Stored()
	body := announcement(stream.NewID(), someVIN(2))
	none := s.Nobody().Post("/v1/announcements", body)
	require.Equal(t, "Bearer", none.Header.Get("WWW-Authenticate"))
	problem(t, none, fault.SignInNeeded, "Authorization")
	member := owner.Token
	for name, c := range map[string]*apptest.Client{
		"a void one": first, "one voided just now": bearer(s, apptest.Read[struct{ Token string }](owner, answer).Token), "of a retired interface": third,
		"a member's": bearer(s, member), "one never made": bearer(s, "rbdevice_"+strings.Repeat("A", 43)), "half of one": bearer(s, second.Token[:30]),
		"one with its last character changed": bearer(s, second.Token[:51]+"_"), "none": bearer(s, ""), "another scheme": s.Nobody().With("Authorization", "Basic "+second.Token),
		"a cookie": s.Nobody().With("Cookie", "__Host-readback="+member),
	} {
		for _, body := range []string{body, "{", strings.Repeat("x", 300_000)} {
			got := c.Post("/v1/announcements", body)
			require.Equal(t, none.Status, got.Status, name)
			require.Equal(t, none.Body, got.Body, name)
		}
	}
	require.Equal(t, before, s.Stored())
	for _, path := range []string{"/v1/me", "/v1/jobs", "/v1/registers", "/v1/calibrations", "/v1/queue", "/v1/webhooks", "/v1/sessions", "/v1/jobs/" + stream.NewID().String()} {
		problem(t, second.Get(path), fault.SignInNeeded)
	}
	says(t, second, stream.NewID(), someVIN(2))
}

func bearer(s *apptest.Server, token string) *apptest.Client {
	return s.Nobody().With("Authorization", "Bearer "+token)
}

// TestAnnouncements: where a car that a gateway announces turns up in the shop.
func TestAnnouncements(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner := s.As(apptest.Technician), s.As(apptest.ShopOwner)
	gateway, id := s.Device(owner, "Gateway 1")

	// One that nobody knows waits in the list, once.
	said := stream.NewID()
	first := says(t, gateway, said, someVIN(1))
	require.EqualValues(t, 1, first.Seq)
	require.False(t, first.Repeated)
	require.True(t, listed(t, tech)[first.Job])
	require.Equal(t, carOf{1, someVIN(1), someVIN(1), true, true}, carIn(t, tech, first.Job))
	for _, again := range []stream.ID{said, stream.NewID()} {
		require.Equal(t, announced{first.Job, 1, true}, says(t, gateway, again, someVIN(1)), "the same announcement, or the same car within the hour")
	}
	problem(t, gateway.Post("/v1/announcements", announcement(said, someVIN(9))), fault.IDReused, "id")
	problem(t, gateway.Post("/v1/announcements", strings.Replace(announcement(said, someVIN(1)), "}", `,"mileage_km":7}`, 1)), fault.IDReused, "id")

	// A person takes it up: it waits no more, and the car's next announcement finds it.
	taken := &apptest.Stream{Ref: stream.Ref{Kind: stream.Job, ID: first.Job}, Seq: 1}
	tech.Do(taken, "describe-work", `{"causes":["glass"]}`)
	require.Equal(t, map[stream.ID]bool{first.Job: false}, listed(t, tech))
	require.Equal(t, first.Job, says(t, gateway, stream.NewID(), someVIN(1)).Job)

	// One that a person opened by the VIN is found by it, with nobody told the VIN.
	job := apptest.NewStream(stream.Job)
	tech.Do(job, "open-job", fmt.Sprintf(`{"vin":%q}`, someVIN(2)))
	tech.Do(apptest.NewStream(stream.Job), "open-job", `{"plate":"DEMO 2"}`) // no guess goes here
	got := ask(t, gateway, "POST", "/v1/announcements", fmt.Sprintf(`{"id":%q,"vin":%q,"plate":"DEMO 3","mileage_km":48210}`, stream.NewID(), someVIN(2)))
	require.Equal(t, job.ID, apptest.Read[announced](gateway, got).Job)
	require.NotContains(t, got.Body, "ZZZ")
	require.True(t, carIn(t, tech, job.ID).Equal)
	require.Len(t, listed(t, tech), 3)

	// What a tied interface announces belongs to the job whatever it is: two VINs that differ are shown, and in doubt.
	job.Seq++
	tech.Do(job, "tie-interface", fmt.Sprintf(`{"interface":%q}`, id))
	require.Equal(t, job.ID, says(t, gateway, stream.NewID(), someVIN(3)).Job)
	car := carIn(t, tech, job.ID)
	require.Equal(t, []string{someVIN(2), someVIN(3)}, []string{car.Vehicle, car.Announced})
	require.False(t, car.Equal)
	require.Contains(t, tech.Get("/v1/jobs?limit=500").Body, `"vin_differs":true`)

	// Another gateway is tied to nothing; a withdrawn job takes nothing, and the car waits in one of its own.
	second, _ := s.Device(owner, "Gateway 2")
	require.NotEqual(t, job.ID, says(t, second, stream.NewID(), someVIN(3)).Job, "announced elsewhere, and no more than that")
	job.Seq++
	tech.Do(job, "withdraw-job", `{"cause":"wrong-car","reason":"Another car stands there."}`)
	last := says(t, gateway, stream.NewID(), someVIN(2))
	require.NotEqual(t, job.ID, last.Job)
	require.True(t, listed(t, tech)[last.Job])

	// The shop next door has cars of its own, be they the same.
	south, _ := s.Device(s.As(apptest.OtherOwner), "Gateway 1")
	require.NotContains(t, listed(t, tech), says(t, south, stream.NewID(), someVIN(1)).Job)
	require.NotContains(t, listed(t, tech), says(t, south, said, someVIN(8)).Job, "ids are a device's own")
}

// TestAnnouncementsAsTheyAreSent: what is wrong is named as it was sent.
func TestAnnouncementsAsTheyAreSent(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	gateway, _ := s.Device(s.As(apptest.ShopOwner), "Gateway 1")
	before := s.Stored()
	id := stream.NewID().String()
	for body, fields := range map[string][]string{
		`{}`:                                    {"id", "vin"},
		`{"id":"` + id + `"}`:                   {"vin"},
		`{"id":"x","vin":"` + someVIN(1) + `"}`: {"id"},
		`{"id":"` + id + `","vin":"ZZZDEM0A4CRO00017"}`:                                 {"vin"}, // the letter O: 49 CFR 565.15 has none
		`{"id":"` + id + `","vin":"` + strings.ToLower(someVIN(1)) + `"}`:               {"vin"},
		`{"id":"` + id + `","vin":"` + someVIN(1) + `","plate":"?"}`:                    {"plate"},
		`{"id":"` + id + `","vin":"` + someVIN(1) + `","mileage_km":-1,"speed_kmh":50}`: {"mileage_km", "speed_kmh"},
	} {
		problem(t, gateway.Post("/v1/announcements", body), fault.InvalidInput, fields...)
	}
	for _, body := range []string{"", "{", "[]", `{"id":"` + id + `","id":"` + id + `"}`} {
		got := gateway.Post("/v1/announcements", body)
		require.Contains(t, []int{http.StatusBadRequest, http.StatusUnprocessableEntity}, got.Status, "%q: %s", body, got.Body)
	}
	problem(t, gateway.With("Content-Type", "text/plain").Ask("POST", "/v1/announcements", announcement(stream.NewID(), someVIN(1))), fault.Malformed, "Content-Type")
	problem(t, gateway.Post("/v1/announcements", strings.Repeat(" ", httpapi.MaxBody)), fault.TooLarge, "body")
	require.Equal(t, before, s.Stored())
}

// TestAnnouncingTooOften: a device is paced by itself, and an address that guesses tokens is, but no device with it.
func TestAnnouncingTooOften(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	hasty, _ := s.Device(owner, "Gateway 1")
	calm, _ := s.Device(owner, "Gateway 2")
	says(t, calm, stream.NewID(), someVIN(2))
	until := func(most int, try func() apptest.Answer) {
		for range most {
			if got := try(); got.Status == http.StatusTooManyRequests {
				problem(t, got, fault.TooMany)
				return
			}
		}
		require.Fail(t, "never told to wait")
	}
	until(2000, func() apptest.Answer {
		return ask(t, hasty, "POST", "/v1/announcements", announcement(stream.NewID(), someVIN(1)))
	})
	until(20_000, func() apptest.Answer { return bearer(s, "rbdevice_guess").Post("/v1/announcements", `{}`) })
	says(t, calm, stream.NewID(), someVIN(2))
}
