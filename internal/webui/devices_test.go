package webui_test

import (
	"fmt"
	"net/http"
	"regexp"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestACarAnnouncesItself in browsers: an owner adds a gateway and gets its token; a car that it announces appears in the
// technician's list while they look at it; the wrong car is seen in the bay at once; taken out of use, it announces nothing.
func TestACarAnnouncesItself(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	browser := browser(t)
	o := open(t, browser, "owner", s.URL, 1180, 820)
	o.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	o.visit("/equipment")
	o.fill("#reader-name", "Gateway 1")
	o.press("#new-reader .second")
	o.sees("[aria-labelledby=reader] .person", "gateway 1")
	id := run(o, chromedp.Evaluate[string](`document.querySelector("[id^=interface-]").id.slice(10)`))
	o.hold("#token-"+id, `document.querySelector("#token")`)
	token := run(o, chromedp.Evaluate[string](`document.querySelector("#token").value`))
	o.press("#copy-token")
	o.sees(".link-box [role=status]", "cop")
	o.readable("token", 4.5)
	o.onPhone("token")
	gateway := s.Nobody().With("Authorization", "Bearer "+token)
	announce := func(vin string) string {
		t.Helper()
		got := gateway.Post("/v1/announcements", fmt.Sprintf(`{"id":%q,"vin":%q}`, stream.NewID(), vin))
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		return apptest.Read[struct{ Job string }](gateway, got).Job
	}

	b := open(t, browser, "list", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.sees("#cars", "calibrations")
	job := announce("ZZZDEM0A4CR000071")
	b.sees("#job-"+job, "announced by a vehicle interface")
	b.readable("announced", 4.5)
	b.press("#job-" + job)
	b.sees("#announced", "zzzdem0a4cr000071, the same as the job")

	b.visit("/bay/jobs/" + c.job.ID.String())
	b.press("#tie")
	b.sees("#tied", "gateway 1 is in this car")
	b.readable("tied", 4.5)
	b.onPhone("tied")
	b.visit(c.bay())
	b.sees("#gates-title", "car and bay")
	require.Equal(t, c.job.ID.String(), announce("ZZZDEM0A4CR000072"))
	b.sees("#instruction", "two vins")
	b.sees("#vin-typed", "zzzdem0a4cr000017")
	b.sees("#vin-announced", "zzzdem0a4cr000072")

	p := open(t, browser, "page", s.URL, 1180, 820)
	p.signIn(apptest.Technician, "demo technician", "/bay")
	p.visit("/bay/jobs/" + c.job.ID.String())
	p.sees("#vins", "is this the right car?")
	p.press("#untie")
	p.sees("#tie", "it is in this car")
	require.NotEqual(t, c.job.ID.String(), announce("ZZZDEM0A4CR000073"), "not this job's any more")

	o.hold("#retire-"+id, `!document.querySelector("#token")`)
	o.sees("[aria-labelledby=reader] .person", "out of use")
	require.Equal(t, http.StatusUnauthorized, gateway.Post("/v1/announcements", `{}`).Status)

	desk := open(t, browser, "desk owner", s.URL, 1180, 820)
	desk.signIn(apptest.DeskOwner, "demo desk owner", "/people")
	desk.visit("/equipment")
	desk.sees(".problem", "a desk has no bays")
	desk.until(`!document.querySelector("#reader")`)
}

// TestAGatewayOfABay in browsers: an owner adds a gateway for the bay and its instruments and gets its token; what it reads is
// shown to the technician, who reports it with one press; taken out of use, it shows nothing.
func TestAGatewayOfABay(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	c.rig = place(0.4, -12, 0.4, 0.02)
	c.report(nil)
	browser := browser(t)
	o := open(t, browser, "gateway owner", s.URL, 1180, 820)
	o.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	o.visit("/equipment")
	o.fill("#gauges-name", "Bay gauges")
	o.choose("#gauges-bay", "01940000-0000-7000-8000-0000000000b1")
	o.press("#new-gauges .second")
	o.sees("#gauges-problem", "at least one")
	readings := c.measured(nil)
	for _, i := range instruments.FindAllString(readings, -1) {
		o.until(fmt.Sprintf(`document.querySelector("#reads-%s").checked || (document.querySelector("#reads-%[1]s").click(), true)`, i[len(i)-36:]))
	}
	o.press("#new-gauges .second")
	o.sees("[aria-labelledby=gauges] .person", "bay gauges")
	id := run(o, chromedp.Evaluate[string](`document.querySelector("[aria-labelledby=gauges] [id^=interface-]").id.slice(10)`))
	o.hold("#token-"+id, `document.querySelector("#token")`)
	token := run(o, chromedp.Evaluate[string](`document.querySelector("#token").value`))
	o.sees(".link-box", "whoever has it shows readings in this bay")
	o.readable("gauges", 4.5)
	o.onPhone("gauges")

	b := open(t, browser, "bay of gauges", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit("/bay/jobs/" + c.job.ID.String())
	b.until(`document.querySelector("#car, main h2") && !document.querySelector("#tie")`) // a gateway is in no car
	b.visit(c.bay())
	b.sees("#verdict", "move")
	c.rig = place(0.4, -0.3, 0.4, 0.02)
	live := c.sends(s.Nobody().With("Authorization", "Bearer "+token), "/v1/readings")
	b.sees(".live-line", "live: within limits")
	b.press("#capture")
	b.sees("#verdict", "within limits")
	live.end()

	o.hold("#retire-"+id, `!document.querySelector("#token")`)
	o.sees("[aria-labelledby=gauges] .person", "out of use: shows nothing")
	require.Equal(t, http.StatusUnauthorized, s.Nobody().With("Authorization", "Bearer "+token).Post("/v1/readings", `{}`).Status)
}

// instruments finds the ids in readings.
var instruments = regexp.MustCompile(`"instrument":\s*"[0-9a-f-]{36}`)
