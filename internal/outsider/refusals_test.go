package outsider_test

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

func jsonBody() http.Header { return http.Header{"Content-Type": {"application/json"}} }

// provocations get each refusal by a real request or frame.
var provocations = map[string]func(*testing.T, *town) (slug string){
	"malformed": func(t *testing.T, w *town) string {
		return slugOf(w.nobody(t).sends(http.MethodPost, "/v1/sign-in", `{"login":`, jsonBody()).want(http.StatusBadRequest))
	},
	"invalid-input": func(t *testing.T, w *town) string {
		got := w.nobody(t).asks(http.MethodPost, "/v1/sign-in", object{"login": technician, "pass": "x"}).want(http.StatusUnprocessableEntity)
		require.NotEmpty(t, got["errors"])
		return slugOf(got)
	},
	"too-large": func(t *testing.T, w *town) string {
		body := `{"login":"` + strings.Repeat("x", 262_144) + `","password":"x"}`
		return slugOf(w.nobody(t).sends(http.MethodPost, "/v1/sign-in", body, jsonBody()).want(http.StatusRequestEntityTooLarge))
	},
	"sign-in-needed": func(t *testing.T, w *town) string {
		return slugOf(w.nobody(t).asks(http.MethodGet, "/v1/me", nil).want(http.StatusUnauthorized))
	},
	"sign-in-failed": func(t *testing.T, w *town) string {
		return slugOf(w.nobody(t).asks(http.MethodPost, "/v1/sign-in", object{"login": technician, "password": "guess"}).want(http.StatusUnauthorized))
	},
	"foreign-origin": func(t *testing.T, w *town) string {
		h := jsonBody()
		h.Set("Origin", "https://elsewhere.example")
		body := string(text(t, object{"login": technician, "password": passwords[technician], "cookie": true}))
		return slugOf(w.nobody(t).sends(http.MethodPost, "/v1/sign-in", body, h).want(http.StatusForbidden))
	},
	"not-found": func(t *testing.T, w *town) string {
		return slugOf(w.signIn(t, stranger).asks(http.MethodGet, "/v1/jobs/"+newID(t), nil).want(http.StatusNotFound))
	},
	"wrong-method": func(t *testing.T, w *town) string {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPut, w.address+"/v1/sign-in", http.NoBody)
		require.NoError(t, err)
		res, err := w.http.Do(req)
		require.NoError(t, err)
		defer res.Body.Close()
		raw, err := io.ReadAll(res.Body)
		require.NoError(t, err)
		require.Equal(t, http.StatusMethodNotAllowed, res.StatusCode)
		require.Equal(t, "POST", res.Header.Get("Allow"))
		return slugOf(w.description.holds(t, "openapi.yaml#/components/responses/WrongMethod/content/"+escaped("application/problem+json")+"/schema", raw).(object))
	},
	"not-your-role": func(t *testing.T, w *town) string {
		p := w.signIn(t, technician)
		return slugOf(p.does("register", p.org, "add-bay", w.example(t, "register", "add-bay", 0)).want(http.StatusForbidden))
	},
	"unknown-type": func(t *testing.T, w *town) string {
		l := w.signIn(t, owner).connects()
		l.sends([]byte(`{"say":"shout"}`))
		return slugOf(l.waits("refused", nil)["problem"].(object))
	},
	"already-there": func(t *testing.T, w *town) string {
		l := w.signIn(t, owner).connects()
		l.follows("register", l.org)
		l.says(object{"say": "follow", "stream": object{"kind": "register", "id": l.org}, "after": 0})
		return slugOf(l.waits("refused", nil)["problem"].(object))
	},
	"too-many": func(t *testing.T, w *town) string {
		l := w.signIn(t, owner).connects()
		for range 200 { // 100 at once pass, 50 a second after that
			l.says(l.command("register", l.org, "retire", object{"kind": "bay", "id": newID(t)}))
		}
		var slugs []string
		for range 200 {
			slugs = append(slugs, slugOf(l.waits("refused", nil)["problem"].(object)))
		}
		require.Contains(t, slugs, "too-many")
		return "too-many"
	},
	"wrong-phase": opened("read-back", object{"step": 1}),
	"not-met":     opened("request", object{}),
	"stale": opening(func(p *pair) string {
		c := p.bay.command("calibration", p.calibration, "issue-sheet", p.town.example(p.t, "calibration", "issue-sheet", 0))
		p.example(p.bay, "issue-sheet", 0)
		p.bay.says(c)
		return slugOf(p.bay.answered(c)["problem"].(object))
	}),
	"id-reused": opening(func(p *pair) string {
		c := p.bay.command("calibration", p.calibration, "note", object{"text": "once"})
		p.bay.says(c)
		require.Equal(p.t, "accepted", p.bay.answered(c)["say"])
		c["command"].(object)["data"] = object{"text": "twice"}
		p.bay.says(c)
		return slugOf(p.bay.answered(c)["problem"].(object))
	}),
	"not-claimed": opening(func(p *pair) string {
		p.asks()
		p.desk.follows("calibration", p.calibration)
		return p.desk.refused("calibration", p.calibration, "record-gate", p.town.example(p.t, "calibration", "record-gate", 0))
	}),
	"busy-elsewhere": opening(func(p *pair) string {
		p.toTheWords()
		p.runs()
		other := &pair{t: p.t, town: p.town, bay: p.bay, desk: p.desk}
		other.opens()
		other.toTheWords()
		other.example(other.bay, "bay-clear", 0)
		return other.desk.refused("calibration", other.calibration, "go", object{})
	}),
	"no-database": cut("/v1/jobs"),
	"not-ready":   cut("/v1/jobs/01940000-0000-7000-8000-00000000e001"),
}

// fromInside are the refusals that nobody can provoke who only has the server's address, with the reason, and the test
// that provokes each by other means.
var fromInside = map[string]struct{ why, file, test string }{
	"no-room":        {"the disk has to be full", "live/guard_test.go", "fault.NoRoom"},
	"wrong-server":   {"the database has to be put in another's place under a running server", "postgres/tail_test.go", "fault.WrongServer"},
	"internal-fault": {"a mistake of the program's has to be put into it", "live/guard_test.go", "fault.InternalFault"},
	"not-proven":     {"said by readback verify of a trail that was altered, never by a server", "proof/tamper_test.go", "fault.NotProven"},
}

func opened(command string, data object) func(*testing.T, *town) string {
	return opening(func(p *pair) string { return p.bay.refused("calibration", p.calibration, command, data) })
}

// opening is a provocation that begins with a calibration opened.
func opening(do func(*pair) string) func(*testing.T, *town) string {
	return func(t *testing.T, w *town) string {
		return do(w.meet(t, w.signIn(t, technician), w.signIn(t, specialist)))
	}
}

// cut asks for a path once the database is away.
func cut(path string) func(*testing.T, *town) string {
	return func(t *testing.T, _ *town) string {
		w := visit(t, nil) // one of its own: it is spoilt
		p := w.signIn(t, technician)
		w.server.CutDatabase()
		return slugOf(p.asks(http.MethodGet, path, nil).want(http.StatusServiceUnavailable))
	}
}

// toTheWords does all that the first leg asks for.
func (p *pair) toTheWords() {
	p.t.Helper()
	p.prepares()
	p.step(p.town.example(p.t, "calibration", "instruct", 0))
	p.places(0)
}

// TestEveryRefusal provokes every problem that the descriptions list, or says why that is not done from outside. The
// answer is held to the description of its route or message, which names the problems it may be.
func TestEveryRefusal(t *testing.T) {
	t.Parallel()
	w := visit(t, nil)
	w.furnish(t)
	described := map[string]bool{}
	for _, each := range w.at(t, "schema/problem.json#/oneOf").([]any) {
		each := each.(object)
		require.NotEmpty(t, each["description"])
		slug := slugOf(object{"type": each["properties"].(object)["type"].(object)["const"]})
		described[slug] = true
		if in, inside := fromInside[slug]; inside {
			require.NotContains(t, provocations, slug)
			require.NotEmpty(t, in.why)
			raw, err := os.ReadFile(filepath.Join(apptest.Root(), "internal", in.file))
			require.NoError(t, err)
			require.True(t, strings.Contains(string(raw), in.test), "%s is not provoked there any more", slug)
			continue
		}
		require.Contains(t, provocations, slug, "provoke it, or say why not")
		t.Run(slug, func(t *testing.T) {
			require.Equal(t, slug, provocations[slug](t, w))
		})
	}
	for slug := range provocations {
		require.True(t, described[slug], "%s is not described", slug)
	}
	for slug := range fromInside {
		require.True(t, described[slug], "%s is not described", slug)
	}
}
