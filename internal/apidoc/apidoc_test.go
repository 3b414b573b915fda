package apidoc_test

import (
	"crypto/sha256"
	"encoding/base64"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/apidoc"
	"readback/internal/fault"
	"readback/internal/testkit/spec"
	"readback/internal/wire"
)

// TestPageSaysEverything looks for what each description holds, and for a place for every link within the page.
func TestPageSaysEverything(t *testing.T) {
	t.Parallel()
	raw, err := apidoc.Page()
	require.NoError(t, err)
	page := string(raw)
	for _, each := range spec.Keys(spec.Document(t, "openapi.yaml")["paths"]) {
		require.Contains(t, page, " "+each+"</code></h4>")
	}
	for _, each := range spec.Keys(spec.At(t, spec.Document(t, "asyncapi.yaml"), "components/messages")) {
		require.Contains(t, page, `id="message-`+each+`"`)
	}
	for _, slug := range fault.Slugs() {
		require.Contains(t, page, "/problems/"+string(slug))
	}
	for _, c := range wire.Closings() {
		require.Contains(t, page, c.Reason)
	}
	for _, file := range spec.Files(t) {
		require.Contains(t, page, `href="/v1/`+file+`"`)
	}
	for _, link := range regexp.MustCompile(`href="#([^"]+)"`).FindAllStringSubmatch(page, -1) {
		require.Contains(t, page, `id="`+link[1]+`"`, "a link to nowhere")
	}
	ids := regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1)
	seen := map[string]bool{}
	for _, id := range ids {
		require.False(t, seen[id[1]], "two places are %s", id[1])
		seen[id[1]] = true
	}
}

// TestPageNeedsNothing wants no script, no image and nothing of another origin on the page, and a policy that would let
// none of them through.
func TestPageNeedsNothing(t *testing.T) {
	t.Parallel()
	raw, err := apidoc.Page()
	require.NoError(t, err)
	page := string(raw)
	for _, word := range []string{"<script", "<img", "<link", "<iframe", "@import", "url(", " style=", "src=", " onclick"} {
		require.NotContains(t, strings.ToLower(page), word)
	}
	for _, link := range regexp.MustCompile(`href="([^"]+)"`).FindAllStringSubmatch(page, -1) {
		require.Regexp(t, `^(#|/v1/|/problems/)`, link[1])
	}
	_, rest, _ := strings.Cut(page, "<style>")
	style, rest, _ := strings.Cut(rest, "</style>")
	require.NotContains(t, rest, "<style")
	sum := sha256.Sum256([]byte(style)) // CSP 3, section 6.7.2.3: the hash of the element's text
	require.Contains(t, apidoc.Policy(), base64.StdEncoding.EncodeToString(sum[:]))
	require.Regexp(t, `^default-src 'none'; style-src 'sha256-[A-Za-z0-9+/]{43}='; `, apidoc.Policy())
	require.Less(t, len(page), 512<<10)
}
