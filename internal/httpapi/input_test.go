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

// TestBadAddresses asks every route with ids, words and parameters that it does not take.
func TestBadAddresses(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	before := s.Stored()

	upper := strings.ToUpper(cal.ID.String())
	for _, id := range []string{"1", "x", upper, cal.ID.String() + "0", "00000000-0000-0000-0000-000000000000", "%00", "%27;--"} {
		for _, kind := range []string{"calibrations", "jobs", "registers"} {
			problem(t, tech.Get("/v1/"+kind+"/"+id), fault.InvalidInput, "id")
			problem(t, tech.Get("/v1/"+kind+"/"+id+"/entries"), fault.InvalidInput, "id")
			problem(t, tech.Post("/v1/"+kind+"/"+id+"/commands", apptest.Body(stream.NewID(), 0, "open", `{}`)), fault.InvalidInput, "id")
		}
		problem(t, tech.Get("/v1/calibrations/"+id+"/bundle"), fault.InvalidInput, "id")
	}
	for _, path := range []string{
		"/v1/cars", "/v1/calibration", "/v1/cars/" + cal.ID.String(), "/v1/cars/" + cal.ID.String() + "/entries", "/nothing", "/v1",
		"/v1/", "/v1/jobs/" + cal.ID.String() + "/bundle", cal.Path() + "/", "/problems/", "/problems/no-such",
	} {
		problem(t, tech.Get(path), fault.NotHere)
	}
	problem(t, tech.Post("/v1/cars/"+cal.ID.String()+"/commands", apptest.Body(stream.NewID(), 0, "open", `{}`)), fault.NotHere)
	for path, methods := range map[string]string{cal.Path(): "GET, HEAD", cal.Path() + "/photos": "POST", "/v1/webhooks/x/enable": "POST", "/v1/sessions/x": "DELETE", "/v1/invitations": "GET, HEAD, POST"} {
		for _, method := range []string{"GET", "POST", "PUT", "DELETE", "PATCH"} {
			if strings.Contains(methods, method) {
				continue
			}
			got := tech.Ask(method, path, "")
			problem(t, got, fault.WrongMethod)
			require.Equal(t, methods, got.Header.Get("Allow"), "RFC 9110, section 15.5.6")
		}
		problem(t, tech.Ask("PUT", path+"/no/such/thing", ""), fault.NotHere)
	}

	for path, fields := range map[string][]string{
		"/?a=1": {"a"}, "/problems/stale?a=1": {"a"}, "/v1/me?a=1": {"a"}, "/v1/trail-key?a=1": {"a"}, "/healthz?a=1": {"a"}, "/readyz?a=1": {"a"},
		cal.Path() + "?after=1": {"after"}, cal.Path() + "/bundle?key=0": {"key"}, cal.Path() + "/entries?from=1&limt=2": {"from", "limt"},
		cal.Path() + "/entries?limit=1&limit=2": {"limit"}, "/v1/calibrations?phase=waiting": {"phase"}, "/v1/queue?before=x": {"before"},
		cal.Path() + "/entries?after=-1": {"after"}, cal.Path() + "/entries?after=1.5": {"after"}, cal.Path() + "/entries?after=": {"after"},
		cal.Path() + "/entries?after=9007199254740992": {"after"}, cal.Path() + "/entries?limit=0": {"limit"}, cal.Path() + "/entries?limit=1001": {"limit"},
		"/v1/jobs?limit=0": {"limit"}, "/v1/jobs?limit=501": {"limit"}, "/v1/jobs?limit=many": {"limit"}, "/v1/jobs?before=x": {"before"},
	} {
		problem(t, tech.Get(path), fault.InvalidInput, fields...)
	}
	problem(t, tech.Get("/v1/jobs?limit=%zz"), fault.Malformed)
	for path, field := range map[string]string{"/v1/queue?limit=0": "limit", "/v1/queue?before=x": "before"} {
		problem(t, s.As(apptest.Specialist).Get(path), fault.InvalidInput, field)
	}
	problem(t, tech.Post("/v1/sign-out?all=1", ""), fault.InvalidInput, "all")
	problem(t, s.Nobody().Post("/v1/sign-in?x=1", `{}`), fault.InvalidInput, "x")
	problem(t, tech.Post(cal.Path()+"/commands?dry=1", apptest.Body(stream.NewID(), cal.Seq, "note", `{"text":"x"}`)), fault.InvalidInput, "dry")
	require.Equal(t, before, s.Stored())
}

// TestBadBodies sends commands that are none, or that are wrong inside.
func TestBadBodies(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	before := s.Stored()

	at := cal.Path() + "/commands"
	id := stream.NewID().String()
	good := apptest.Body(stream.NewID(), cal.Seq, "note", `{"text":"x"}`)
	for _, media := range []string{"", "text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "application/json+x", "application/json; charset"} {
		problem(t, tech.With("Content-Type", media).Ask("POST", at, good), fault.Malformed, "Content-Type")
		problem(t, s.Nobody().With("Content-Type", media).Ask("POST", "/v1/sign-in", `{"login":"a","password":"b"}`), fault.Malformed, "Content-Type")
	}
	for _, body := range []string{
		"", " ", "nothing", "[]", "null", `"x"`, "1", good[:len(good)-1], good + good, good + "x", `{"id":"` + id + `","id":"` + id + `"}`,
		strings.Replace(good, `"x"`, `NaN`, 1), strings.Replace(good, `"x"`, "\"\xff\"", 1), strings.Repeat(`{"a":`, 100) + "1" + strings.Repeat("}", 100),
	} {
		got := tech.Post(at, body)
		require.Equal(t, "application/problem+json", got.Header.Get("Content-Type"), "%q: %s", body, got.Body)
		require.Contains(t, []int{http.StatusBadRequest, http.StatusUnprocessableEntity}, got.Status, "%q: %s", body, got.Body)
	}
	large := apptest.Body(stream.NewID(), cal.Seq, "note", fmt.Sprintf(`{"text":%q}`, strings.Repeat("x", httpapi.MaxBody)))
	problem(t, tech.Post(at, large), fault.TooLarge, "body")
	problem(t, s.Nobody().Post("/v1/sign-in", large), fault.TooLarge, "body")

	for body, fields := range map[string][]string{
		`{}`: {"id", "base", "type", "data"},
		fmt.Sprintf(`{"id":%q,"base":-1,"type":"note","data":{}}`, id):                                                   {"base"},
		fmt.Sprintf(`{"id":%q,"base":1.5,"type":"note","data":{}}`, id):                                                  {"base"},
		fmt.Sprintf(`{"id":%q,"base":"1","type":"note","data":{}}`, id):                                                  {"base"},
		fmt.Sprintf(`{"id":%q,"base":1,"type":7,"data":{}}`, id):                                                         {"type"},
		fmt.Sprintf(`{"id":%q,"base":1,"type":"note","data":[]}`, id):                                                    {"data"},
		fmt.Sprintf(`{"id":%q,"base":1,"type":"note","data":null}`, id):                                                  {"data"},
		fmt.Sprintf(`{"id":%q,"base":1,"type":"note","data":{},"dry":true}`, id):                                         {"dry"},
		fmt.Sprintf(`{"id":%q,"base":1,"type":"note","data":{}}`, strings.ToUpper(id)):                                   {"id"},
		apptest.Body(stream.NewID(), cal.Seq, "note", `{"text":""}`):                                                     {"data.text"},
		apptest.Body(stream.NewID(), cal.Seq, "note", `{"txt":"x"}`):                                                     {"data.text", "data.txt"},
		apptest.Body(stream.NewID(), cal.Seq, "record-gate", `{"gate":"space-clear","met":"yes","evidence":"declared"}`): {"data.met"},
		apptest.Body(stream.NewID(), cal.Seq, "report-readings",
			`{"moved":true,"readings":[{"quantity":"span","from":"front-left-hub","to":"left-end","instrument":"x","value_um":-3000}]}`): {"data.readings[0].value_um"},
		apptest.Body(stream.NewID(), cal.Seq, "report-readings", fmt.Sprintf(
			`{"moved":true,"readings":[{"quantity":"span","from":"front-left-hub","to":"left-end","instrument":%q,"value_um":300000000}]}`, id)): {"data.readings[0].value_um"},
		apptest.Body(stream.NewID(), cal.Seq, "report-readings", fmt.Sprintf(
			`{"moved":true,"readings":[{"quantity":"span","from":"door-handle","to":"left-end","instrument":%q,"value_um":3000000}]}`, id)): {"data.readings[0].from"},
	} {
		problem(t, tech.Post(at, body), fault.InvalidInput, fields...)
	}
	problem(t, tech.Post(at, apptest.Body(stream.NewID(), cal.Seq, "levitate", `{}`)), fault.UnknownType, "type")
	problem(t, tech.Post(job.Path()+"/commands", apptest.Body(stream.NewID(), 0, "levitate", `{}`)), fault.UnknownType, "type")
	vin := strings.Replace(apptest.OpeningJob, "ZZZDEM0A4CR000017", "ZZZDEM0A4CRO00017", 1) // the letter O: 49 CFR 565.15 has none
	problem(t, tech.Post(apptest.NewStream(stream.Job).Path()+"/commands", apptest.Body(stream.NewID(), 0, "open-job", vin)), fault.InvalidInput, "data.vin")
	require.Equal(t, before, s.Stored())

	// A parameter of the media type means nothing to JSON.
	ok := tech.With("Content-Type", "Application/JSON;charset=UTF-8").Ask("POST", at, good)
	require.Equal(t, http.StatusOK, ok.Status, ok.Body)
}

// TestPages are the routes that nobody need sign in for.
func TestPages(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	nobody := s.Nobody()
	front := nobody.Get("/")
	require.Equal(t, http.StatusOK, front.Status)
	require.Equal(t, "text/html; charset=utf-8", front.Header.Get("Content-Type"))
	require.Contains(t, front.Body, "Version "+apptest.Version)
	require.JSONEq(t, `{"version":"test"}`, nobody.Get("/healthz").Body)
	require.JSONEq(t, `{"ready":true}`, nobody.Get("/readyz").Body)
	for _, slug := range fault.Slugs() {
		got := nobody.Get("/problems/" + string(slug))
		require.Equal(t, http.StatusOK, got.Status, slug)
		require.Equal(t, fault.TitleOf(slug), apptest.Read[struct{ Title string }](nobody, got).Title)
	}
	for _, path := range []string{"/v1/me", "/v1/queue", "/v1/jobs", "/v1/jobs/x", "/v1/jobs?limit=x", "/v1/calibrations/x/bundle", "/v1/jobs/x/entries"} {
		problem(t, nobody.Get(path), fault.SignInNeeded) // and nothing else is said to a stranger
	}
	problem(t, nobody.Post("/v1/jobs/x/commands", "{"), fault.SignInNeeded)
	require.Equal(t, http.StatusOK, nobody.Ask("HEAD", "/healthz", "").Status)
}
