package webui_test

import (
	"fmt"
	"net/http"
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
	o.fill("#gateway-name", "Gateway 1")
	o.press("#new-gateway .second")
	o.sees("#gateways ~ .rows .person", "gateway 1")
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
	o.sees(".person", "out of use")
	require.Equal(t, http.StatusUnauthorized, gateway.Post("/v1/announcements", `{}`).Status)

	desk := open(t, browser, "desk owner", s.URL, 1180, 820)
	desk.signIn(apptest.DeskOwner, "demo desk owner", "/people")
	desk.visit("/equipment")
	desk.sees(".problem", "a desk has no bays")
	desk.until(`!document.querySelector("#gateways")`)
}
