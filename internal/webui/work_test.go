package webui_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestAnOwnerKeepsTheWork in a browser: a procedure with faults is pasted and each is named with its line; mended it is said in
// plain words and put into use, then as a new version, then retired; a dimension sheet likewise; an agreement is ended and made
// again. A desk's owner finds the id that shops need, and sets opening hours. What the pages sent is read back over HTTP.
func TestAnOwnerKeepsTheWork(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, deskOwner := s.As(apptest.ShopOwner), s.As(apptest.DeskOwner)
	desk := deskOwner.Access.Org.String()
	written, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "procedures", "front-radar.yaml"))
	require.NoError(t, err)
	good := string(written)

	b := browser(t)
	w := open(t, b, "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.visit("/work")
	w.sees("#procedures", "procedures")
	w.sees("#agreement-"+desk, "in force")
	w.press("#add-procedure summary")
	w.paste("#paste-procedure-text", strings.Replace(good, "grade: caution", "grade: maybe", 1))
	w.press("#paste-procedure button")
	w.sees("#paste-procedure-problem", "gates[2].grade (line 23): one of required, caution, recorded")
	w.readable("work", 4.5)
	w.onPhone("work")
	w.paste("#paste-procedure-text", good)
	w.press("#paste-procedure button")
	w.sees("#paste-procedure-read", "not in use yet: front radar, reflector (invented)")
	w.sees("#paste-procedure-read", "t-rfl-02")
	w.press("#paste-procedure-use")
	w.sees(".row.person", "front radar, reflector (invented)")
	w.sees(".row.person", "invented service information, front radar, 20 nov 2025, version 2.1")
	w.paste("#paste-procedure-text", strings.Replace(good, "expires_min: 30", "expires_min: 20", 1))
	w.press("#paste-procedure button")
	w.sees("#paste-procedure-read", "a new version of")
	w.press("#paste-procedure-use")
	w.sees(".row.person", "version 2, in use")

	view := func(of *apptest.Client) (v struct {
		State struct {
			Procedures map[string]struct {
				Version   int
				Active    bool
				Procedure struct{ Title string }
			}
			Agreements map[string]struct{ Ended bool }
			Dimensions map[string]struct {
				Type, Source string
				Vehicle      map[string]any
			}
			Hours json.RawMessage
		}
	}) {
		require.NoError(t, json.Unmarshal([]byte(of.Get(of.Register().Path()).Body), &v))
		return v
	}
	radar := ""
	for id, p := range view(owner).State.Procedures {
		if strings.HasPrefix(p.Procedure.Title, "Front radar, reflector") {
			radar = id
		}
	}
	require.NotEmpty(t, radar)
	w.hold("#retire-"+radar, `document.querySelector("#gone-procedures")`)
	require.False(t, view(owner).State.Procedures[radar].Active)

	w.hold("#end-"+desk, `document.querySelector("#second ~ .bay")?.textContent.includes("nobody sees")`)
	require.True(t, view(owner).State.Agreements[desk].Ended)
	w.press("#add-agreement summary")
	w.fill("#agreement-desk", owner.Access.Org.String())
	w.press("#make-agreement button")
	w.sees("#agreement-problem", "there is no desk with this id")
	w.readable("agreement", 4.5)
	w.fill("#agreement-desk", desk)
	w.press("#make-agreement button")
	w.sees("#agreement-"+desk, "in force")
	require.False(t, view(owner).State.Agreements[desk].Ended)

	w.visit("/equipment")
	w.press("#add-dimensions summary")
	w.paste("#paste-dimensions-text", "type: Estate (invented)\nvehicle: {wheelbase_mm: 2}\n")
	w.press("#paste-dimensions button")
	w.sees("#paste-dimensions-problem", "vehicle.wheelbase_mm (line 2)")
	w.sees("#paste-dimensions-problem", "source (line 1)")
	w.paste("#paste-dimensions-text", `type: Estate (invented)
vehicle:
  wheelbase_mm: 2720
  front_track_mm: 1560
  rear_track_mm: 1572
  front_overhang_mm: 880
  rear_overhang_mm: 905.5
  hub_height_mm: {front: 325, rear: 325}
source: measured on one car (invented)
`)
	w.press("#paste-dimensions button")
	w.sees("#paste-dimensions-read", "wheelbase 2720 mm")
	w.picture("sheet")
	w.press("#paste-dimensions-use")
	w.sees("[id^=called-]", "estate (invented)")
	found := false
	for _, d := range view(owner).State.Dimensions {
		found = found || d.Type == "Estate (invented)" && d.Vehicle["rear_overhang_um"] == 905500.0
	}
	require.True(t, found)

	d := open(t, b, "desk owner", s.URL, 1180, 820)
	d.signIn(apptest.DeskOwner, "demo desk owner", "/people")
	d.visit("/work")
	d.until(`document.querySelector("#desk-id")?.value === "` + desk + `"`)
	d.press("#change-hours summary")
	d.fill("#hours-zone", "Europe/Berlin")
	d.fill("#hours-monday", "8-12")
	d.press("#set-hours button")
	d.sees("#hours-problem", "monday: times such as")
	d.fill("#hours-monday", "08:00-12:00, 13:00-17:30")
	d.fill("#hours-other", "2026-12-25 closed")
	d.press("#set-hours button")
	d.sees("#hours-now", "08:00-12:00, 13:00-17:30")
	d.sees("#hours-now", "25 dec 2026")
	d.readable("hours", 4.5)
	d.onPhone("hours")
	require.Contains(t, string(view(deskOwner).State.Hours), `{"date":"2026-12-25","open":[]}`)
}
