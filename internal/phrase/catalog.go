package phrase

import (
	"embed"
	"encoding/json"
	"strings"
)

//go:embed catalog/*.json
var catalogs embed.FS

// catalog is one language's texts by key. Every language has the same keys, with the same placeholders; the tests hold
// that.
type catalog map[string]string

func load(language string) (catalog, bool) {
	raw, err := catalogs.ReadFile("catalog/" + language + ".json")
	if err != nil {
		return nil, false
	}
	var c catalog
	if err := json.Unmarshal(raw, &c); err != nil {
		panic("phrase: catalog " + language + ": " + err.Error()) // the tests read every catalog
	}
	return c, true
}

// text is the text of a key. One that there is not, as of a kind that is newer than this program, is told by its name.
func (c catalog) text(family, name string) string {
	if t, ok := c[family+name]; ok {
		return t
	}
	return name
}

// fill puts values in the places of a text: pairs of a placeholder without its braces and what stands there.
func (c catalog) fill(family, name string, pairs ...string) string {
	for i := 0; i < len(pairs); i += 2 {
		pairs[i] = "{" + pairs[i] + "}"
	}
	return strings.NewReplacer(pairs...).Replace(c.text(family, name))
}
