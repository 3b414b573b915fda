package webui_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestAnOwnerKeepsTheEquipment in a browser: what is overdue stands first with its day; an instrument is renewed, a floor
// surveyed, a stand renamed; something is added and something retired. What the page sent is read back over HTTP.
func TestAnOwnerKeepsTheEquipment(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner := s.As(apptest.ShopOwner)
	tape, level, old := stream.NewID(), stream.NewID(), time.Now().UTC().AddDate(0, 0, -3).Format(time.DateOnly)
	soon := time.Now().UTC().AddDate(0, 0, 12).Format(time.DateOnly)
	for _, i := range []struct {
		id           stream.ID
		name, u, due string
	}{{tape, "Tape 9", "um\":800", old}, {level, "Level 9", "udeg\":60000", soon}} {
		owner.Do(owner.Register(), "add-instrument", fmt.Sprintf(`{"id":%q,"name":%q,"instrument":{"kind":"invented","standard_uncertainty_%s},
			"certificate":{"number":"INV-9","dated":"2020-05-04"},"due":%q}`, i.id, i.name, i.u, i.due))
	}
	w := open(t, browser(t), "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.press("a#people")
	w.press(`#rooms a[href="/equipment"]`)
	w.sees("#due + .rows li:nth-child(1)", "tape 9")
	w.sees("#due + .rows li:nth-child(1)", "overdue by 3 days")
	w.sees("#due + .rows li:nth-child(2)", "level 9")
	w.sees("#due + .rows li:nth-child(2)", "in 12 days")
	w.sees("#due + .rows li:nth-child(3)", "the floor is not surveyed")
	w.sees("#reader", "vehicle interfaces")
	w.readable("equipment", 4.5)
	w.onPhone("equipment")

	w.press("#to-" + tape.String())
	w.fill("#renewal-number", "INV-10")
	w.choose("#renewal-dated", "2099-01-01")
	w.choose("#renewal-due", "2099-12-30")
	w.press("#renewing button")
	w.sees("#thing-problem", "a day that has come")
	w.readable("renewing", 4.5)
	w.onPhone("renewing")
	w.choose("#renewal-dated", old)
	w.press("#renewing button")
	w.until(`!document.querySelector("#opened") && !document.querySelector("#due + .rows").textContent.includes("Tape 9")`)
	w.sees("#thing-"+tape.String(), "certificate inv-10")

	bay := run(w, chromedp.Evaluate[string](`[...document.querySelectorAll("[id^=called-]")].find(e => e.textContent === "Bay 2").id.slice(7)`))
	w.press("#renew-" + bay)
	for field, mm := range map[string]string{"front_left": "0", "front_right": "1.5", "rear_left": "-1", "rear_right": "x", "fixture": "2"} {
		w.fill("#floor-"+field, mm)
	}
	w.choose("#survey-expires", "2099-12-30")
	w.press("#surveying button")
	w.sees("#survey-problem", "rear right wheel: a number")
	w.fill("#floor-rear_right", "0.5")
	w.readable("surveying", 4.5)
	w.onPhone("surveying")
	w.press("#surveying button")
	w.sees("#thing-"+bay, "front right 1.5, rear left −1, rear right 0.5; under the stand 2")
	w.hold("#unsurvey-"+bay, `document.querySelector("#thing-`+bay+`").textContent.includes("not surveyed")`)

	stand := run(w, chromedp.Evaluate[string](`[...document.querySelectorAll("[id^=called-]")].find(e => e.textContent === "Stand 1").id.slice(7)`))
	w.press("#rename-" + stand)
	w.press("#renaming button")
	w.sees("#thing-problem", "nothing would change")
	w.fill("#new-name", "Stand 1, left store")
	w.fill("#new-target", "T-CAM-07B")
	w.press("#renaming button")
	w.sees("#called-"+stand, "stand 1, left store")
	w.sees("#thing-"+stand, "target t-cam-07b")

	w.press("#add-fixture summary")
	w.fill("#fixture-name", "Stand 2")
	w.fill("#fixture-target", "T CAM")
	w.fill("#fixture-half", "750")
	w.press("#new-fixture button")
	w.sees("#new-fixture-problem", "letters, digits")
	w.fill("#fixture-target", "T-CAM-08")
	w.readable("adding", 4.5)
	w.press("#new-fixture button")
	w.sees("[id^=called-]", "stand 2")
	w.press("#add-instrument summary")
	w.fill("#instrument-name", "Level 2")
	w.fill("#instrument-kind", "digital level")
	w.choose("#instrument-unit", "udeg")
	w.fill("#instrument-u", "0.06")
	w.fill("#first-number", "INV-L2")
	w.choose("#first-dated", old)
	w.choose("#first-due", "2099-12-30")
	w.onPhone("adding")
	w.press("#new-instrument button")
	w.sees("[id^=called-]", "level 2")
	w.press("#add-bay summary")
	w.fill("#bay-name", "Bay 3")
	w.fill("#bay-length", "12500")
	w.press("#new-bay button")
	w.sees("#new-bay-problem", "both along and across")
	w.fill("#bay-width", "6200")
	w.press("#new-bay button")
	w.sees("[id^=called-]", "bay 3")
	w.hold("#retire-"+level.String(), `document.querySelector("#gone-instrument")`)
	w.press("#gone-instrument summary")
	w.sees("#gone-instrument", "level 9")
	w.readable("retired", 4.5)

	var view struct {
		State struct {
			Bays map[string]struct {
				Name  string
				Floor json.RawMessage
			}
			Instruments map[string]struct {
				Name, Due  string
				Active     bool
				Instrument json.RawMessage
			}
			Fixtures map[string]struct {
				Name, Target string
				Fixture      json.RawMessage
			}
		}
	}
	require.NoError(t, json.Unmarshal([]byte(owner.Get("/v1/registers/"+owner.Register().ID.String()).Body), &view))
	require.Equal(t, "2099-12-30", view.State.Instruments[tape.String()].Due)
	require.False(t, view.State.Instruments[level.String()].Active)
	require.Empty(t, view.State.Bays[bay].Floor)
	found := map[string]string{}
	for _, i := range view.State.Instruments {
		found[i.Name] = string(i.Instrument)
	}
	for _, f := range view.State.Fixtures {
		found[f.Name] = string(f.Fixture)
	}
	require.JSONEq(t, `{"kind":"digital level","standard_uncertainty_udeg":60000}`, found["Level 2"])
	require.JSONEq(t, `{"kind":"board","half_width_um":750000}`, found["Stand 2"])

	desk := open(t, browser(t), "desk owner", s.URL, 1180, 820)
	desk.signIn(apptest.DeskOwner, "demo desk owner", "/people")
	desk.visit("/people")
	desk.sees("#here", "people")
	desk.until(`document.querySelector('#rooms a[href="/equipment"]').hidden`)
	desk.visit("/equipment")
	desk.sees(".problem", "a desk has no bays")
}
