package tenancy

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestForeignIDsInBodies: what a command names besides its stream and belongs to another organisation is as good as not
// there: the same refusal, word for word, and nothing written.
func TestForeignIDsInBodies(t *testing.T) {
	t.Parallel()
	w := settle(t)
	before := w.Stored()
	south, north, desk := w.south.people[stream.Technician], w.technician(), w.desk.people[stream.Specialist]
	sheet := func(dimensions, fixture, bay, instrument string) string {
		for _, c := range ofCalibrations {
			if c.is == "issue-sheet" {
				return strings.NewReplacer("-0000000000e1", dimensions, "-00000000e0f1", fixture, "-0000000000b1", bay, "-0000000000c1", instrument).
					Replace(c.as(t, stream.Calibration, north, w.claimed))
			}
		}
		return ""
	}
	const ours = "-0000000000"
	for _, c := range []struct {
		what         string
		who          *apptest.Client
		at           *apptest.Stream
		command      string
		theirs, none string // data
		says         string // in the refusal
	}{
		{"another shop's job", south, apptest.NewStream(stream.Calibration), "open",
			fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, w.claimed.job.ID), fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, stream.NewID()), "not-found"},
		{"another shop's job, a sensor it does not list", south, apptest.NewStream(stream.Calibration), "open",
			fmt.Sprintf(`{"job":%q,"sensor":"front-radar"}`, w.claimed.job.ID), fmt.Sprintf(`{"job":%q,"sensor":"front-radar"}`, stream.NewID()), "not-found"},
		{"another shop's dimension sheet for a job", south, apptest.NewStream(stream.Job), "open-job", apptest.OpeningJob,
			strings.ReplaceAll(apptest.OpeningJob, "-0000000000e1", "-0000000009e1"), "dimension"},
		{"another shop's bay", north, w.claimed.calibration, "issue-sheet",
			sheet(ours+"e1", ours+"f1", "-0000000001b1", ours+"c1"), sheet(ours+"e1", ours+"f1", "-0000000009b1", ours+"c1"), "bay-known"},
		{"another shop's fixture", north, w.claimed.calibration, "issue-sheet",
			sheet(ours+"e1", "-0000000001f1", ours+"b1", ours+"c1"), sheet(ours+"e1", "-0000000009f1", ours+"b1", ours+"c1"), "fixture-known"},
		{"another shop's dimension sheet", desk, w.claimed.calibration, "issue-sheet",
			sheet("-0000000001e1", ours+"f1", ours+"b1", ours+"c1"), sheet("-0000000009e1", ours+"f1", ours+"b1", ours+"c1"), "dimensions-known"},
		{"another shop's instrument", desk, w.claimed.calibration, "issue-sheet",
			sheet(ours+"e1", ours+"f1", ours+"b1", "-0000000001c1"), sheet(ours+"e1", ours+"f1", ours+"b1", "-0000000009c1"), "instruments-known"},
		{"another organisation's member", w.north.people[stream.Owner], w.north.register, "grant-competence",
			fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":"2099-12-31","proof":"INV-1"}`, south.Access.Member),
			fmt.Sprintf(`{"member":%q,"sensor":"front-camera","expires":"2099-12-31","proof":"INV-1"}`, stream.NewID()), "no such member"},
		{"an agreement with another shop's desk", w.south.people[stream.Owner], w.south.register, "end-agreement",
			fmt.Sprintf(`{"desk":%q}`, w.desk.id), fmt.Sprintf(`{"desk":%q}`, stream.NewID()), "no such agreement"},
		{"an agreement with a shop", w.south.people[stream.Owner], w.south.register, "make-agreement",
			fmt.Sprintf(`{"desk":%q}`, w.north.id), fmt.Sprintf(`{"desk":%q}`, stream.NewID()), "desk-known"},
	} {
		require.NotEqual(t, c.theirs, c.none, c.what)
		base := c.at.Seq
		got := c.who.Post(c.at.Path()+"/commands", apptest.Body(stream.NewID(), base, c.command, c.theirs))
		none := c.who.Post(c.at.Path()+"/commands", apptest.Body(stream.NewID(), base, c.command, c.none))
		got.Body = strings.ReplaceAll(got.Body, "-0000000001c1", "-0000000009c1") // the asker's own word
		same(t, none, got, c.what)
		require.GreaterOrEqual(t, got.Status, 400, "%s: %s", c.what, got.Body)
		require.Contains(t, got.Body, c.says, c.what)
	}
	require.Equal(t, before, w.Stored())
}
