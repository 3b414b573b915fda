package tenancy

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/access"
	"readback/internal/stream"
)

// opens stands for a relation in the rows of opening commands: to a stream that is not there yet.
const opens stream.Relation = "new"

// who says by relation which roles may: "own technician owner, claimed specialist".
type who string

func (w who) may(r stream.Relation, role stream.Role) bool {
	for part := range strings.SplitSeq(string(w), ",") {
		if words := strings.Fields(part); len(words) > 0 && words[0] == string(r) {
			return slices.Contains(words[1:], string(role))
		}
	}
	return false
}

func (w who) check(t *testing.T, of string) {
	t.Helper()
	for part := range strings.SplitSeq(string(w), ",") {
		words := strings.Fields(part)
		if len(words) == 0 {
			require.Empty(t, w, of)
			continue
		}
		require.Contains(t, append(access.Relations(), opens), stream.Relation(words[0]), of)
		require.NotEmpty(t, words[1:], of)
		for _, role := range words[1:] {
			require.Contains(t, roles, stream.Role(role), of)
		}
	}
}

// roles are those that people sign in with. The server's own role is of nobody who can ask.
var roles = []stream.Role{stream.Technician, stream.Specialist, stream.Owner}

// sees says who reads a kind of stream and follows it. The register shows a member what they work with, and an agreed
// desk the bays and fixtures that it issues sheets for. A job and a calibration are the shop's; a desk reads them from the
// request on by its agreement, while it has claimed them, and afterwards what it had.
var sees = map[stream.Kind]who{
	stream.Register:    "own technician specialist owner, agreed specialist owner",
	stream.Job:         "own technician specialist owner, agreed specialist, claimed specialist owner, ended specialist owner",
	stream.Calibration: "own technician specialist owner, agreed specialist owner, claimed specialist owner, ended specialist owner",
}

// lists says whose lists show a kind of stream. Rows go on changing, so a list ends with the claim; jobs are listed to their
// shop alone.
var lists = map[stream.Kind]who{
	stream.Register:    "own technician specialist owner",
	stream.Job:         "own technician specialist owner",
	stream.Calibration: "own technician specialist owner, claimed specialist owner",
}

// takesOut says who may take a stream away whole: a calibration as a bundle, a register as an import document.
var takesOut = map[stream.Kind]who{
	stream.Register:    "own owner",
	stream.Calibration: "own technician owner, claimed specialist owner, ended specialist owner",
}

// TestAccessSaysTheSame: the rows here and the table of package access were written apart and agree.
func TestAccessSaysTheSame(t *testing.T) {
	t.Parallel()
	for kind, rows := range commands {
		for _, relation := range access.Relations() {
			for _, role := range roles {
				by := func(a access.Action) bool { return access.Allowed([]stream.Role{role}, relation, kind, a) }
				require.Equal(t, sees[kind].may(relation, role), by(access.See), "see: %s %s %s", relation, role, kind)
				some := slices.ContainsFunc(rows, func(r command) bool { return r.who.may(relation, role) })
				if some {
					require.True(t, by(access.Command), "command: %s %s %s", relation, role, kind)
				}
				if out, ok := takesOut[kind]; ok {
					require.Equal(t, out.may(relation, role), by(access.Bundle), "take out: %s %s %s", relation, role, kind)
				}
				if relation == stream.Own || relation == stream.Claimed && kind == stream.Calibration {
					require.Equal(t, lists[kind].may(relation, role), by(access.List), "list: %s %s %s", relation, role, kind)
				}
			}
		}
		for _, role := range roles {
			opened := slices.ContainsFunc(rows, func(r command) bool { return r.who.may(opens, role) })
			require.Equal(t, opened, access.Allowed([]stream.Role{role}, stream.Own, kind, access.Open), "open: %s %s", role, kind)
		}
	}
}
