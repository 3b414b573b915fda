package httpapi_test

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/stretchr/testify/require"

	"readback/api"
	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/photo"
	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/spec"
	"readback/internal/wire"
)

// described loads openapi.yaml with kin-openapi, which checks the document itself and finds the operation of a request.
var described = sync.OnceValues(func() (routers.Router, error) {
	loader := openapi3.NewLoader()
	loader.ReadFromURIFunc = func(_ *openapi3.Loader, at *url.URL) ([]byte, error) {
		return api.Files().ReadFile(strings.TrimPrefix(at.Path, "/"))
	}
	doc, err := loader.LoadFromURI(&url.URL{Path: "openapi.yaml"})
	if err != nil {
		return nil, err
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, err
	}
	return gorillamux.NewRouter(doc)
})

// escaped is a key as it stands in a JSON pointer within an address.
var escaped = strings.NewReplacer("/", "~1", "{", "%7B", "}", "%7D").Replace

// ask sends a request and holds the answer to the description: its status, its headers, its media type and its body; and
// the request too, unless it was refused. kin-openapi finds the operation and checks what is around the bodies; these are
// checked by the library for JSON Schema, as it knows all of it.
func ask(t *testing.T, c *apptest.Client, method, path, body string) apptest.Answer {
	t.Helper()
	router, err := described()
	require.NoError(t, err)
	if body != "" {
		c = c.With("Content-Type", "application/json")
	}
	got := c.Ask(method, path, body)
	req, err := http.NewRequest(method, path, strings.NewReader(body))
	require.NoError(t, err)
	req.Header = c.Header.Clone()
	route, params, err := router.FindRoute(req)
	require.NoError(t, err, "%s %s", method, path)
	in := &openapi3filter.RequestValidationInput{
		Request: req, PathParams: params, Route: route,
		Options: &openapi3filter.Options{AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, IncludeResponseStatus: true, ExcludeRequestBody: true, ExcludeResponseBody: true},
	}
	place := "openapi.yaml#/paths/" + escaped(route.Path) + "/" + strings.ToLower(method)
	if got.Status < 400 {
		require.NoError(t, openapi3filter.ValidateRequest(t.Context(), in), "%s %s", method, path)
		if body != "" {
			spec.Valid(t, place+"/requestBody/content/application~1json/schema", []byte(body))
		}
	}
	response := route.Operation.Responses.Value(fmt.Sprint(got.Status))
	require.NotNil(t, response, "%s %s: %d is not described\n%s", method, path, got.Status, got.Body)
	media, _, _ := mime.ParseMediaType(got.Header.Get("Content-Type"))
	if len(response.Value.Content) > 0 {
		require.Contains(t, response.Value.Content, media, "%s %s", method, path)
	}
	require.NoError(t, openapi3filter.ValidateResponse(t.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: got.Status, Header: got.Header, Body: http.NoBody, Options: in.Options,
	}), "%s %s", method, path)
	if strings.HasSuffix(media, "json") {
		place += fmt.Sprintf("/responses/%d", got.Status)
		if response.Ref != "" {
			place = "openapi.yaml" + response.Ref
		}
		spec.Valid(t, place+"/content/"+escaped(media)+"/schema", []byte(got.Body))
	}
	if got.Status >= 400 {
		var p wire.Problem
		require.NoError(t, json.Unmarshal([]byte(got.Body), &p))
		slugs := response.Value.Extensions["x-problems"].([]any)
		require.Contains(t, slugs, strings.TrimPrefix(p.Type, "/problems/"), "%s %s", method, path)
	}
	return got
}

// line is a line of testdata/examples/story.jsonl.
type line struct {
	As, Stream, Type, Makes string
	Example                 *int
	Data                    json.RawMessage
	Now                     bool // a drive: it begins now, and has ended in 50 s, for which clocks may differ
}

func story(t *testing.T) (all []line) {
	t.Helper()
	f, err := os.Open("../../testdata/examples/story.jsonl")
	require.NoError(t, err)
	defer f.Close()
	for s := bufio.NewScanner(f); s.Scan(); {
		var l line
		require.NoError(t, json.Unmarshal(s.Bytes(), &l))
		all = append(all, l)
	}
	return all
}

// exampleOf is an example of a command in its schema.
func exampleOf(t *testing.T, kind stream.Kind, command string, n int) json.RawMessage {
	t.Helper()
	all := spec.At(t, spec.Document(t, "schema/"+string(kind)+"-commands.json"), "$defs/"+command).(map[string]any)["examples"].([]any)
	return spec.Text(t, all[n])
}

// drivenNow is the example of a drive with its times as if it began now: no drive counts that began before the calibration.
func drivenNow(t *testing.T, data json.RawMessage) json.RawMessage {
	t.Helper()
	var d map[string]any
	require.NoError(t, json.Unmarshal(data, &d))
	now := time.Now().UTC().Truncate(time.Millisecond)
	d["started"], d["ended"] = now.Format(time.RFC3339Nano), now.Add(50*time.Second).Format(time.RFC3339Nano)
	return spec.Text(t, d)
}

// TestStoryAsDescribed gives every command of the three kinds to a real server, with the examples of the descriptions as
// their data, and holds every request, answer and entry to the descriptions. Then all entry types have occurred.
func TestStoryAsDescribed(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	shop := s.Person(apptest.ShopOwner).Org
	id := func(text string) stream.ID {
		got, err := stream.ParseID("id", text)
		require.NoError(t, err)
		return got
	}
	streams := map[string]*apptest.Stream{
		"register":           {Ref: stream.Ref{Kind: stream.Register, ID: shop}},
		"desk register":      {Ref: stream.Ref{Kind: stream.Register, ID: s.Person(apptest.Specialist).Org}},
		"job":                {Ref: stream.Ref{Kind: stream.Job, ID: id("01940000-0000-7000-8000-00000000e001")}},
		"second job":         {Ref: stream.Ref{Kind: stream.Job, ID: stream.NewID()}},
		"calibration":        {Ref: stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}},
		"second calibration": {Ref: stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}},
	}
	streams["road calibration"] = &apptest.Stream{Ref: stream.Ref{Kind: stream.Calibration, ID: stream.NewID()}}
	owner := s.As(apptest.ShopOwner)
	streams["register"].Seq = apptest.Read[struct{ Seq uint64 }](owner, ask(t, owner, "GET", streams["register"].Path(), "")).Seq

	deskOwner := s.As(apptest.DeskOwner)
	streams["desk register"].Seq = apptest.Read[struct{ Seq uint64 }](deskOwner, ask(t, deskOwner, "GET", streams["desk register"].Path(), "")).Seq

	given := strings.NewReplacer() // the ids and sums of photos that the examples name, by those that the server chose
	executed := map[string]bool{}
	verdicts := map[string]bool{}
	for i, l := range story(t) {
		who, to := s.As(l.As), streams[l.Stream]
		data := l.Data
		if l.Example != nil {
			data = exampleOf(t, to.Kind, l.Type, *l.Example)
			executed[fmt.Sprint(to.Kind, l.Type, *l.Example)] = true
		}
		if l.Type == "attach-photo" {
			var named photo.Named
			require.NoError(t, json.Unmarshal(data, &named))
			p := who.AddPhoto(to)
			given = strings.NewReplacer(named.ID.String(), p.ID.String(), named.SHA256.String(), p.SHA256.String())
		}
		data = json.RawMessage(given.Replace(string(data)))
		if l.Now {
			data = drivenNow(t, data)
		}
		got := ask(t, who, "POST", to.Path()+"/commands", apptest.Body(stream.NewID(), to.Seq, l.Type, string(data)))
		require.Equal(t, http.StatusOK, got.Status, "line %d, %s: %s", i+1, l.Type, got.Body)
		r := apptest.Read[apptest.Receipt](who, got)
		require.Equal(t, l.Makes, r.Type, "line %d", i+1)
		to.Seq = r.Seq
		view := apptest.Read[struct {
			State struct {
				Place struct{ Verdict *struct{ Verdict string } }
			}
		}](who, ask(t, who, "GET", to.Path(), ""))
		if v := view.State.Place.Verdict; v != nil {
			verdicts[v.Verdict] = true
		}
		if to.Kind == stream.Calibration {
			saidInWords(t, who, to, l)
		}
		if l.Type == "request" {
			require.Contains(t, ask(t, s.As(apptest.Specialist), "GET", "/v1/queue?limit=20", "").Body, to.ID.String())
		}
	}
	for _, v := range []string{"undetermined", "adjust", "unsure", "within"} {
		require.True(t, verdicts[v], "no verdict %s in the story", v)
	}
	for _, kind := range []stream.Kind{stream.Calibration, stream.Job, stream.Register} {
		defs := spec.Document(t, "schema/"+string(kind)+"-commands.json")["$defs"].(map[string]any)
		for command, def := range defs {
			for n := range def.(map[string]any)["examples"].([]any) {
				if command != "lapse" && command != "open-organisation" { // the server's own
					require.True(t, executed[fmt.Sprint(kind, command, n)], "example %d of %s is not in the story", n, command)
				}
			}
		}
	}

	types := map[stream.Kind]map[string]bool{stream.Calibration: {}, stream.Job: {}, stream.Register: {}}
	for name, to := range streams {
		reader := owner
		if name == "desk register" {
			reader = deskOwner
		}
		for after := uint64(0); after < to.Seq; {
			got := apptest.Read[struct {
				Entries []struct {
					Seq  uint64
					Body json.RawMessage
				}
			}](reader, ask(t, reader, "GET", fmt.Sprintf("%s/entries?after=%d&limit=25", to.Path(), after), ""))
			for _, e := range got.Entries {
				var body struct {
					Type string
					V    int
				}
				require.NoError(t, json.Unmarshal(e.Body, &body))
				types[to.Kind][body.Type] = true
				spec.Valid(t, "schema/entry.json", e.Body)
				after = e.Seq
			}
		}
	}
	for kind, all := range map[stream.Kind][]string{stream.Calibration: calibration.Entries(), stream.Job: job.Entries(), stream.Register: register.Entries()} {
		for _, typ := range all {
			require.True(t, types[kind][typ] || typ == "lapsed", "no entry %s in the story", typ) // lapsed: the server's own, when nothing is heard of somebody
		}
		require.LessOrEqual(t, len(types[kind]), len(all))
	}
	reads(t, s, owner, streams)
	refusals(t, s, streams)
}

// reads asks every route that only reads.
func reads(t *testing.T, s *apptest.Server, owner *apptest.Client, streams map[string]*apptest.Stream) {
	t.Helper()
	for _, kind := range []string{"registers", "jobs", "calibrations"} {
		require.Equal(t, http.StatusOK, ask(t, owner, "GET", "/v1/"+kind+"?limit=20", "").Status)
	}
	require.Equal(t, http.StatusOK, ask(t, owner, "GET", "/v1/calibrations?before="+stream.NewID().String(), "").Status)
	require.Equal(t, http.StatusOK, ask(t, s.As(apptest.Specialist), "GET", "/v1/calibrations", "").Status)
	for name, to := range streams {
		if name != "desk register" { // not the shop's
			require.Equal(t, http.StatusOK, ask(t, owner, "GET", to.Path(), "").Status)
		}
	}
	car := apptest.Read[struct {
		State  struct{ Vehicle struct{ VIN stream.Sealed } }
		Opened map[string]string
	}](owner, ask(t, owner, "GET", streams["job"].Path(), ""))
	require.Equal(t, "ZZZDEM0A4CR000017", car.Opened[car.State.Vehicle.VIN.Sealed.V], "opened is by the v of the sealed value")
	zipped := ask(t, owner, "GET", streams["calibration"].Path()+"/bundle", "")
	archive, err := zip.NewReader(bytes.NewReader([]byte(zipped.Body)), int64(len(zipped.Body)))
	require.NoError(t, err)
	files := map[string]string{}
	for _, f := range archive.File {
		r, err := f.Open()
		require.NoError(t, err)
		raw, err := io.ReadAll(r)
		require.NoError(t, err)
		files[f.Name] = string(raw)
	}
	require.Len(t, files, 5+strings.Count(files["calibration.trail"], `"type":"photo-attached"`))
	spec.Valid(t, "schema/bundle.json", spec.Text(t, files))
	require.Equal(t, strings.Count(files["calibration.trail"], "\n"), int(streams["calibration"].Seq))

	require.Equal(t, http.StatusOK, ask(t, owner, "GET", streams["register"].Path()+"/export", "").Status)

	nobody := s.Nobody()
	for _, path := range []string{"/", "/docs", "/healthz", "/readyz", "/v1/trail-key", "/problems/stale"} {
		require.Equal(t, http.StatusOK, ask(t, nobody, "GET", path, "").Status, path)
	}
	for _, name := range spec.Files(t) {
		raw, err := api.Files().ReadFile(name)
		require.NoError(t, err)
		require.Equal(t, string(raw), ask(t, nobody, "GET", "/v1/"+name, "").Body)
	}
	require.Contains(t, ask(t, nobody, "GET", "/docs", "").Header.Get("Content-Security-Policy"), "default-src 'none'; style-src 'sha256-")
	key := spec.Schema(t, "openapi.yaml#/paths/~1v1~1trail-key/get/responses/200/content/text~1plain/schema")
	require.NoError(t, key.Validate(nobody.Get("/v1/trail-key").Body))
	require.Equal(t, http.StatusOK, ask(t, owner, "GET", "/v1/me", "").Status)
}

// refusals provokes what can be provoked from outside.
func refusals(t *testing.T, s *apptest.Server, streams map[string]*apptest.Stream) {
	t.Helper()
	tech, nobody := s.As(apptest.Technician), s.Nobody()
	cal := streams["calibration"].Path()
	send := func(id stream.ID, base uint64, typ, data string) apptest.Answer {
		return ask(t, tech, "POST", streams["job"].Path()+"/commands", apptest.Body(id, base, typ, data))
	}
	once := stream.NewID()
	send(once, streams["job"].Seq, "note", `{"text":"x"}`)
	for slug, got := range map[fault.Slug]apptest.Answer{
		fault.SignInNeeded: ask(t, nobody, "GET", cal, ""),
		fault.SignInFailed: ask(t, nobody, "POST", "/v1/sign-in", `{"login":"tamsin@north.example","password":"wrong"}`),
		fault.NotHere:      ask(t, tech, "GET", "/v1/jobs/"+stream.NewID().String(), ""),
		fault.InvalidInput: ask(t, tech, "GET", cal+"/entries?limit=0", ""),
		fault.NotYourRole:  ask(t, tech, "GET", "/v1/queue", ""),
		fault.Malformed:    ask(t, tech, "POST", cal+"/commands", "{"),
		fault.UnknownType:  send(stream.NewID(), 1, "levitate", `{}`),
		fault.IDReused:     send(once, streams["job"].Seq, "note", `{"text":"y"}`),
		fault.Stale:        send(stream.NewID(), 1, "record-scan", `{"when":"after","source":"typed","codes":[]}`),
		fault.AlreadyThere: send(stream.NewID(), 0, "open-job", string(exampleOf(t, stream.Job, "open-job", 0))),
		fault.WrongPhase:   ask(t, tech, "POST", cal+"/commands", apptest.Body(stream.NewID(), streams["calibration"].Seq, "stop", `{}`)),
		fault.TooLarge:     send(stream.NewID(), 1, "note", fmt.Sprintf(`{"text":%q}`, strings.Repeat("x", 300_000))),
		fault.ForeignPage:  ask(t, tech.With("Sec-Fetch-Site", "cross-site"), "POST", "/v1/sign-out", ""),
	} {
		require.Contains(t, got.Body, `"/problems/`+string(slug)+`"`)
	}
}

// TestExampleRequestsAreAnswered sends each example request of openapi.yaml, with its parameters' examples, to a server.
func TestExampleRequestsAreAnswered(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	doc := spec.Document(t, "openapi.yaml")
	resolve := func(v any) map[string]any {
		m := v.(map[string]any)
		if ref, ok := m["$ref"].(string); ok {
			return spec.At(t, doc, strings.TrimPrefix(ref, "#/")).(map[string]any)
		}
		return m
	}
	n := 0
	send := func(path, method string, item map[string]any) {
		o := item[method].(map[string]any)
		var parameters []any
		for _, from := range []map[string]any{item, o} {
			list, _ := from["parameters"].([]any)
			parameters = append(parameters, list...)
		}
		at, query := path, url.Values{}
		for _, p := range parameters {
			p := resolve(p)
			example, there := p["example"]
			switch {
			case p["in"] == "path":
				require.True(t, there, "%s: %s has no example", path, p["name"])
				at = strings.Replace(at, "{"+p["name"].(string)+"}", example.(string), 1)
			case there:
				query.Set(p["name"].(string), fmt.Sprint(example))
			}
		}
		if len(query) > 0 {
			at += "?" + query.Encode()
		}
		who := s.As(apptest.Technician)
		switch {
		case strings.HasPrefix(path, "/v1/queue"):
			who = s.As(apptest.Specialist)
		case path == "/v1/accounts", strings.HasPrefix(path, "/v1/invitations"):
			who = s.As(apptest.ShopOwner)
		}
		if strings.HasPrefix(path, "/v1/webhooks") {
			who = s.As(apptest.ShopOwner)
		}
		if strings.HasPrefix(path, "/v1/interfaces") {
			who = s.As(apptest.ShopOwner)
		}
		bodies := []string{""}
		if body, ok := o["requestBody"].(map[string]any); ok {
			if inJSON, ok := spec.At(t, body, "content").(map[string]any)["application/json"]; ok {
				bodies = nil
				for _, e := range inJSON.(map[string]any)["examples"].(map[string]any) {
					bodies = append(bodies, string(spec.Text(t, e.(map[string]any)["value"])))
				}
			}
		}
		for _, body := range bodies {
			who := s.As(who.Login)
			if path == "/v1/announcements" {
				who, _ = s.Device(s.As(apptest.ShopOwner), "Reader")
			}
			if path == "/v1/readings" {
				who, _ = s.Gateway(s.As(apptest.ShopOwner), "Gauges", theBay, theLaser)
			}
			got := ask(t, who, strings.ToUpper(method), at, body)
			want := http.StatusOK
			switch path {
			case "/v1/sign-out", "/v1/password":
				want = http.StatusNoContent
			case "/v1/sessions/{id}", "/v1/invitations/{id}", "/v1/join": // the example is a job's, or nobody's
				want = http.StatusNotFound
			case "/v1/resets":
				want = http.StatusAccepted
			case "/v1/refresh": // nobody ever got the example
				want = http.StatusUnauthorized
			case "/v1/readings": // nothing is placed in the bay
				want = http.StatusConflict
			case "/v1/live": // no websocket's request
				want = http.StatusBadRequest
			case "/":
				want = http.StatusSeeOther
			case "/v1/calibrations/{id}/live", "/v1/calibrations/{id}/place", "/v1/calibrations/{id}/bundle", "/v1/calibrations/{id}/words", "/v1/calibrations/{id}/notice", "/v1/registers/{id}/export", // the example is a job's
				"/v1/calibrations/{id}/photos", "/v1/calibrations/{id}/photos/{photo}", // the example is a job's
				"/v1/interfaces/{id}/token", "/v1/webhooks/{id}/secret", "/v1/webhooks/{id}/enable", "/v1/webhooks/{id}/deliveries", "/v1/webhooks/{id}/deliveries/{delivery}/retry":
				want = http.StatusNotFound
			}
			require.Equal(t, want, got.Status, "%s %s: %s", method, at, got.Body)
			n++
		}
	}
	paths := doc["paths"].(map[string]any)
	const first = "/v1/{kinds}/{id}/commands" // opens the job that the others read
	send(first, "post", paths[first].(map[string]any))
	last := []string{"/v1/sign-out", "/v1/password"} // the others' sessions and the password they sign in with
	for _, path := range append(slices.DeleteFunc(spec.Keys(paths), func(p string) bool { return slices.Contains(last, p) }), last...) {
		for _, method := range spec.Keys(paths[path]) {
			if method != "parameters" && path != first {
				send(path, method, paths[path].(map[string]any))
			}
		}
	}
	require.Greater(t, n, 18)
}

// TestExampleAnswersAndProblems holds the examples of answers to their schemas, and wants each slug in an answer of its
// status: all but the one that HTTP never says.
func TestExampleAnswersAndProblems(t *testing.T) {
	t.Parallel()
	doc := spec.Document(t, "openapi.yaml")
	n := 0
	for path, item := range doc["paths"].(map[string]any) {
		for method, o := range item.(map[string]any) {
			if method == "parameters" {
				continue
			}
			for status, r := range o.(map[string]any)["responses"].(map[string]any) {
				content, _ := r.(map[string]any)["content"].(map[string]any)
				for media, c := range content {
					if example, ok := c.(map[string]any)["example"]; ok {
						at := "openapi.yaml#/paths/" + escaped(path) + "/" + method + "/responses/" + status + "/content/" + escaped(media) + "/schema"
						spec.Valid(t, at, spec.Text(t, example))
						n++
					}
				}
				if ref, ok := r.(map[string]any)["$ref"].(string); ok {
					for _, slug := range spec.Words(spec.At(t, doc, strings.TrimPrefix(ref, "#/")).(map[string]any)["x-problems"]) {
						require.Equal(t, status, fmt.Sprint(wire.StatusOf(fault.Slug(slug))), "%s %s: %s", method, path, slug)
					}
				}
			}
		}
	}
	require.GreaterOrEqual(t, n, 8)
	var told, slugs []string
	seen := map[string]bool{string(fault.NotProven): true}
	for _, r := range spec.At(t, doc, "components/responses").(map[string]any) {
		for _, slug := range spec.Words(r.(map[string]any)["x-problems"]) {
			seen[slug] = true
		}
	}
	for slug := range seen {
		told = append(told, slug)
	}
	for _, slug := range fault.Slugs() {
		slugs = append(slugs, string(slug))
	}
	require.ElementsMatch(t, slugs, told)
}
