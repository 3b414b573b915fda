package outsider_test

import (
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"readback/internal/config"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
)

// town is one server with what it says about itself. tally counts what was said there: "client hello", "server entry".
type town struct {
	address string
	*description
	server *apptest.Server // to stop it; nothing else
	tally  map[string]int
	http   *http.Client
	known  map[string]person // who has signed in, by name
}

var (
	fetching sync.Mutex
	fetched  *description
)

// visit starts a server with an invented shop and desk in it, and reads its descriptions, once for all tests.
func visit(t *testing.T, change func(*config.Config)) *town {
	t.Helper()
	cfg := config.Config{DatabaseURL: pgtest.Database(t), KeyFile: apptest.KeyFile()}
	if change != nil {
		change(&cfg)
	}
	s := apptest.Serve(t, cfg)
	fetching.Lock()
	defer fetching.Unlock()
	if fetched == nil {
		fetched = fetch(t, s.URL)
	}
	client := &http.Client{
		Transport:     &http.Transport{DialContext: (&net.Dialer{}).DialContext},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	t.Cleanup(client.CloseIdleConnections)
	return &town{address: s.URL, description: fetched, server: s, tally: map[string]int{}, http: client, known: map[string]person{}}
}

// person asks over HTTP, with a token once signed in.
type person struct {
	t      *testing.T
	town   *town
	name   string
	token  string
	member string
	org    string
}

// The people that the operator of the server named to us.
const (
	technician = "tamsin@north.example"
	owner      = "odile@north.example"
	specialist = "ines@desk.example"
	stranger   = "odile@south.example"
)

var passwords = map[string]string{
	technician: "demo technician", owner: "demo shop owner", specialist: "demo specialist", stranger: "demo shop owner",
}

// signIn signs somebody in by name and password, once in a town: a password is slow to check.
func (w *town) signIn(t *testing.T, login string) *person {
	t.Helper()
	p, ok := w.known[login]
	if !ok {
		p = *w.signInAnew(t, login)
		w.known[login] = p
	}
	p.t = t
	return &p
}

// signInAnew signs in for a token of its own.
func (w *town) signInAnew(t *testing.T, login string) *person {
	t.Helper()
	p := w.nobody(t)
	p.name = login
	got := p.asks(http.MethodPost, "/v1/sign-in", object{"login": login, "password": passwords[login]}).want(200)
	p.token, p.member, p.org = got["token"].(string), got["member"].(string), got["org"].(string)
	return p
}

// nobody asks without having signed in.
func (w *town) nobody(t *testing.T) *person { return &person{t: t, town: w, name: "nobody"} }

// heard is an answer to a request.
type heard struct {
	t      *testing.T
	status int
	header http.Header
	raw    []byte
	body   object // of JSON
}

// want asks for a status and gives the body.
func (h heard) want(status int) object {
	h.t.Helper()
	require.Equal(h.t, status, h.status, "%s", h.raw)
	return h.body
}

// asks sends one request, with a JSON body unless it is nil.
func (p *person) asks(method, path string, body any) heard {
	p.t.Helper()
	if body == nil {
		return p.sends(method, path, "", nil)
	}
	return p.sends(method, path, string(text(p.t, body)), http.Header{"Content-Type": {"application/json"}})
}

// sends sends one request as it is, and holds the exchange to openapi.yaml: the operation, its parameters, the status, the
// headers and the body of the answer; and the body that was sent, unless it was refused.
func (p *person) sends(method, path, body string, header http.Header) heard {
	p.t.Helper()
	req, err := http.NewRequestWithContext(p.t.Context(), method, p.town.address+path, strings.NewReader(body))
	require.NoError(p.t, err)
	if header != nil {
		req.Header = header
	}
	if p.token != "" {
		req.Header.Set("Authorization", "Bearer "+p.token)
	}
	res, err := p.town.http.Do(req)
	require.NoError(p.t, err)
	defer res.Body.Close()
	h := heard{t: p.t, status: res.StatusCode, header: res.Header}
	h.raw, err = io.ReadAll(res.Body)
	require.NoError(p.t, err)
	p.holds(path, req, body, &h)
	return h
}

// escaped is a key as it stands in a JSON pointer within an address.
var escaped = strings.NewReplacer("/", "~1", "{", "%7B", "}", "%7D").Replace

func (p *person) holds(path string, req *http.Request, body string, h *heard) {
	p.t.Helper()
	at := fmt.Sprintf("%s %s", req.Method, path)
	described, err := http.NewRequest(req.Method, path, nil)
	require.NoError(p.t, err)
	described.Header = req.Header
	route, params, err := p.town.routes.FindRoute(described)
	require.NoError(p.t, err, at)
	in := &openapi3filter.RequestValidationInput{Request: described, PathParams: params, Route: route, Options: &openapi3filter.Options{
		AuthenticationFunc: openapi3filter.NoopAuthenticationFunc, IncludeResponseStatus: true,
		ExcludeRequestBody: true, ExcludeResponseBody: true, // held to below, by a library that knows all of JSON Schema
	}}
	place := "openapi.yaml#/paths/" + escaped(route.Path) + "/" + strings.ToLower(req.Method)
	if h.status < 400 {
		require.NoError(p.t, openapi3filter.ValidateRequest(p.t.Context(), in), at)
		if body != "" {
			p.town.description.holds(p.t, place+"/requestBody/content/application~1json/schema", []byte(body))
		}
	}
	answer := route.Operation.Responses.Value(fmt.Sprint(h.status))
	require.NotNil(p.t, answer, "%s: %d is not described\n%s", at, h.status, h.raw)
	media, _, _ := mime.ParseMediaType(h.header.Get("Content-Type"))
	if len(answer.Value.Content) > 0 {
		require.Contains(p.t, answer.Value.Content, media, at)
	} else {
		require.Empty(p.t, h.raw, at)
	}
	require.NoError(p.t, openapi3filter.ValidateResponse(p.t.Context(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: in, Status: h.status, Header: h.header, Body: http.NoBody, Options: in.Options,
	}), at)
	if strings.HasSuffix(media, "json") {
		place += fmt.Sprintf("/responses/%d", h.status)
		if answer.Ref != "" {
			place = "openapi.yaml" + answer.Ref
		}
		h.body = p.town.description.holds(p.t, place+"/content/"+escaped(media)+"/schema", h.raw).(object)
	}
	if h.status >= 400 {
		slugs := answer.Value.Extensions["x-problems"].([]any)
		require.Contains(p.t, slugs, slugOf(h.body), "%s\n%s", at, h.raw)
	}
}

// slugOf is the last part of a problem's type.
func slugOf(problem object) string {
	kind, _ := problem["type"].(string)
	return strings.TrimPrefix(kind, "/problems/")
}

// does gives one command over HTTP, on top of all that is there.
func (p *person) does(kind, id, command string, data object) heard {
	p.t.Helper()
	base := 0
	if got := p.asks(http.MethodGet, "/v1/"+kind+"s/"+id, nil); got.status == http.StatusOK {
		base = number(p.t, got.body["seq"])
	}
	return p.asks(http.MethodPost, "/v1/"+kind+"s/"+id+"/commands", object{"id": newID(p.t), "base": base, "type": command, "data": data})
}

// newID makes an id for something new.
func newID(t *testing.T) string {
	t.Helper()
	id, err := uuid.NewV7()
	require.NoError(t, err)
	return id.String()
}
