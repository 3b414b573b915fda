package tenancy

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/spec"
)

// command is a row for a command: who may give it, by relation.
type command struct {
	is   string
	who  who
	data string // "": the first example of the descriptions. $me stands for the asking member, $job for the job of the visit
}

// commands are the rows by kind.
var commands = map[stream.Kind][]command{
	stream.Register: ofRegisters, stream.Job: ofJobs, stream.Calibration: ofCalibrations,
}

// opening reports whether the command makes a stream.
func (c command) opening() bool {
	return slices.Contains([]string{"open-organisation", "open-job", "open"}, c.is)
}

// as is the command's data as the member gives it.
func (c command) as(t *testing.T, kind stream.Kind, who *apptest.Client, at *visit) string {
	t.Helper()
	if c.data != "" {
		return strings.NewReplacer("$me", who.Access.Member.String(), "$job", at.job.ID.String()).Replace(c.data)
	}
	doc := spec.Document(t, "schema/"+string(kind)+"-commands.json")
	examples, ok := spec.At(t, doc, "$defs/"+c.is).(map[string]any)["examples"].([]any)
	require.True(t, ok && len(examples) > 0, "no example of %s", c.is)
	return string(spec.Text(t, examples[0]))
}

// route is a row for a route.
type route struct {
	is     string
	reach  reach
	who    who                // with seeing: who of those
	path   string             // "": the route's own
	theirs func(*town) string // with things: the id of one
	body   string             // "": {}
}

// reach is for whom a route is.
type reach string

const (
	anyone     reach = "anyone"
	members    reach = "members"
	owners     reach = "owners"
	seeing     reach = "seeing"     // those who see the stream in the address
	takingOut  reach = "takingOut"  // those who may take it out
	commanding reach = "commanding" // the rows of commands
	things     reach = "things"     // those whose it is
	listing    reach = "listing"
	queueing   reach = "queueing"   // the people of a desk who may claim, and their owner
	announcing reach = "announcing" // vehicle interfaces, which no other route lets in
	showing    reach = "showing"    // instrument gateways, likewise
	procedures reach = "procedures" // the people whose own it is, and those of a shop with an agreement
	connecting reach = "connecting" // the rows of messages
)

// message is a row for a message of a client, and the walk that has it said. The walk of commands is that of their rows.
type message struct {
	is   string
	walk func(t *testing.T, w *town) int
}

// TestEveryRowIsDescribed: and everything described has a row.
func TestEveryRowIsDescribed(t *testing.T) {
	t.Parallel()
	var described []string
	paths := spec.Document(t, "openapi.yaml")["paths"].(map[string]any)
	for _, path := range spec.Keys(paths) {
		for _, method := range spec.Keys(paths[path]) {
			if slices.Contains([]string{"get", "put", "post", "delete", "patch"}, method) {
				described = append(described, strings.ToUpper(method)+" "+path)
			}
		}
	}
	var have []string
	for _, r := range routes {
		have = append(have, r.is)
	}
	rows(t, described, have, "routes_test.go", `{is: %q, reach: members},`)

	var said []string
	doc := spec.Document(t, "asyncapi.yaml")
	for _, m := range spec.At(t, doc, "operations/clientSays/messages").([]any) {
		ref := m.(map[string]any)["$ref"].(string)
		said = append(said, ref[strings.LastIndex(ref, "/")+1:])
	}
	have = nil
	for _, m := range messages {
		have = append(have, m.is)
	}
	rows(t, said, have, "messages_test.go", `{is: %q, walk: …},`)

	for kind, file := range map[stream.Kind]string{
		stream.Register: "registers_test.go", stream.Job: "jobs_test.go", stream.Calibration: "calibrations_test.go",
	} {
		doc := spec.Document(t, "schema/"+string(kind)+"-commands.json")
		have = nil
		for _, c := range commands[kind] {
			have = append(have, c.is)
			c.who.check(t, c.is)
		}
		rows(t, spec.Words(spec.At(t, doc, "properties/type/enum")), have, file, `{is: %q, who: "own technician"},`)
	}
	for _, w := range []map[stream.Kind]who{sees, lists, takesOut} {
		for kind, who := range w {
			who.check(t, string(kind))
		}
	}
}

// rows wants as many rows as there are things, one for each.
func rows(t *testing.T, described, have []string, file, line string) {
	t.Helper()
	for _, d := range described {
		if !slices.Contains(have, d) {
			t.Errorf("%s is described and nobody says who may. Write in internal/tenancy/%s, with those who may in place of these:\n\t%s",
				d, file, strings.ReplaceAll(line, "%q", `"`+d+`"`))
		}
	}
	for i, h := range have {
		if !slices.Contains(described, h) {
			t.Errorf("%s in internal/tenancy/%s is not described: remove the row, or describe it", h, file)
		}
		if slices.Contains(have[:i], h) {
			t.Errorf("%s has two rows in internal/tenancy/%s", h, file)
		}
	}
}

// slug is the last part of a problem's type, or "" for another body.
func slug(body string) string {
	var p struct{ Type string }
	if json.Unmarshal([]byte(body), &p) != nil {
		return ""
	}
	return strings.TrimPrefix(p.Type, "/problems/")
}
