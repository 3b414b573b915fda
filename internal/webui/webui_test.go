package webui_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
	"readback/internal/webui"
)

func handler() http.Handler {
	mux := http.NewServeMux()
	for pattern, h := range webui.Routes() {
		mux.Handle(pattern, h)
	}
	return mux
}

func get(h http.Handler, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

var (
	linked = regexp.MustCompile(`(?:href|src)="(/assets/[^"]+)"`)
	inline = regexp.MustCompile(`(?i)<style|\sstyle=|\son[a-z]+=|javascript:|<script>`)
)

// What a browser loads before a page works: at most 60 KB, packed, in at most 40 requests, all of it from here.
func TestFirstLoad(t *testing.T) {
	t.Parallel()
	h := handler()
	for _, path := range []string{"/sign-in", "/join", "/account", "/people", "/equipment", "/work", "/webhooks", "/records", "/record/01940000-0000-7000-8000-000000000001", "/bay", "/bay/01940000-0000-7000-8000-000000000001",
		"/bay/jobs/01940000-0000-7000-8000-000000000001", "/desk"} {
		page := get(h, path)
		require.Equal(t, http.StatusOK, page.Code)
		bytes := page.Body.Len()
		body := unpacked(t, page)
		require.Contains(t, page.Header().Get("Content-Security-Policy"), "default-src 'none'; script-src 'self'; style-src 'self'")
		require.NotContains(t, page.Header().Get("Content-Security-Policy"), "unsafe")
		require.Empty(t, inline.FindAllString(body, -1), path)
		require.NotContains(t, body, "http://")
		require.NotContains(t, body, "https://")

		seen := map[string]bool{}
		for _, m := range linked.FindAllStringSubmatch(body, -1) {
			if seen[m[1]] {
				continue
			}
			seen[m[1]] = true
			file := get(h, m[1])
			require.Equal(t, http.StatusOK, file.Code, m[1])
			require.Contains(t, file.Header().Get("Cache-Control"), "immutable")
			bytes += file.Body.Len()
			if strings.HasSuffix(m[1], ".js") {
				require.Empty(t, unlisted(t, file, m[1], body), "imported by %s, and not among what the page asks for at once", m[1])
			}
		}
		t.Logf("%s: %d bytes in %d requests", path, bytes, len(seen)+1)
		require.LessOrEqual(t, bytes, 60<<10, path)
		require.LessOrEqual(t, len(seen)+1, 40, path)
	}
}

// unpacked reads a body whichever way it came.
func unpacked(t *testing.T, r *httptest.ResponseRecorder) string {
	t.Helper()
	source := io.Reader(r.Body)
	if r.Header().Get("Content-Encoding") == "gzip" {
		var err error
		source, err = gzip.NewReader(source)
		require.NoError(t, err)
	}
	raw, err := io.ReadAll(source)
	require.NoError(t, err)
	return string(raw)
}

// unlisted names the imports of a module that the page does not name.
func unlisted(t *testing.T, file *httptest.ResponseRecorder, path, page string) (missing []string) {
	t.Helper()
	source := unpacked(t, file)
	dir := path[:strings.LastIndexByte(path, '/')+1]
	for _, m := range regexp.MustCompile(`(?:from|import) "\./([a-z]+\.js)"`).FindAllStringSubmatch(source, -1) {
		if !strings.Contains(page, `"`+dir+m[1]+`"`) {
			missing = append(missing, m[1])
		}
	}
	return missing
}

func TestAssetsOfAnotherReleaseAreNotThere(t *testing.T) {
	t.Parallel()
	h := handler()
	dir := linked.FindStringSubmatch(unpacked(t, get(h, "/bay")))[1]
	dir = dir[:strings.LastIndexByte(dir, '/')]
	require.Equal(t, http.StatusOK, get(h, dir+"/dom.js").Code)
	for _, path := range []string{"/assets/0123/dom.js", dir + "/none.js", dir + "/../webui.go", dir + "/"} {
		require.NotEqual(t, http.StatusOK, get(h, path).Code, path)
	}
}

// The front page leads people to their place, and strangers to the page to sign in.
func TestTheFrontPageLeadsOn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	for login, place := range map[string]string{apptest.Technician: "/bay", apptest.Specialist: "/desk", apptest.DeskOwner: "/people"} {
		got := s.As(login).Get("/")
		require.Equal(t, http.StatusSeeOther, got.Status)
		require.Equal(t, place, got.Header.Get("Location"), login)
	}
	front := s.Nobody().Get("/")
	require.Equal(t, http.StatusOK, front.Status)
	require.Contains(t, front.Body, `href="/sign-in"`)
}
