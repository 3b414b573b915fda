package calibration

import (
	"encoding/json"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/spec"
)

// published is what schema/calibration-commands.json says of a command beside its data.
type published struct {
	Given  map[string][]string `json:"x-given"`
	Guards []string            `json:"x-guards"`
	Makes  []string            `json:"x-makes"`
	Stale  []string            `json:"x-stale"`
}

// rules is what the table says of it.
func (r *row) rules() published {
	p := published{Given: map[string][]string{}, Guards: []string{}, Makes: r.entries, Stale: []string{}}
	for _, m := range r.may {
		who := string(m.role)
		if m.role == stream.Specialist {
			who += map[bond]string{anyone: "", ofDesk: " of the desk", claiming: " who claimed", colleagues: " of the same desk as who claimed"}[m.bond]
		}
		for _, phase := range m.phases {
			p.Given[who] = append(p.Given[who], string(phase))
		}
	}
	for _, g := range r.guards {
		p.Guards = append(p.Guards, g.name)
	}
	p.Stale = append(p.Stale, slices.Compact(slices.Sorted(slices.Values(r.stale)))...)
	return p
}

// TestRulesAsPublished holds who may give each command, when, behind which guards, what it makes and what makes it stale
// to the published schema, and what each guard asks.
func TestRulesAsPublished(t *testing.T) {
	t.Parallel()
	doc := spec.Document(t, "schema/calibration-commands.json")
	asks := map[string]string{}
	for i := range table {
		r := &table[i]
		var got published
		require.NoError(t, json.Unmarshal(spec.Text(t, spec.At(t, doc, "$defs/"+r.command)), &got))
		require.Equal(t, r.rules(), got, "%s: in the schema it should be\n%s", r.command, spec.Text(t, r.rules()))
		for _, g := range r.guards {
			asks[g.name] = g.asks
		}
	}
	var said map[string]string
	require.NoError(t, json.Unmarshal(spec.Text(t, doc["x-guards"]), &said))
	require.Equal(t, asks, said)
	require.Len(t, doc["$defs"], len(table))
}
