package webui_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/config"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/testkit/pgtest"
)

// TestAnOwnerLooksAfterWebhooks in a browser: what was given up is shown with its reason and sent again; a receiver that
// answered 410 is told of again once it is mended; events, secret, and whether it is in use are changed.
func TestAnOwnerLooksAfterWebhooks(t *testing.T) {
	t.Parallel()
	var status atomic.Int32
	status.Store(http.StatusNoContent)
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(int(status.Load())) }))
	t.Cleanup(receiver.Close)
	s := apptest.Serve(t, config.Config{
		DatabaseURL: pgtest.Database(t), KeyFile: apptest.KeyFile(), WebhookNetworks: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")},
	})
	owner, tech, hook, letter := s.As(apptest.ShopOwner), s.As(apptest.Technician), stream.NewID(), stream.NewID()
	owner.Do(owner.Register(), "add-webhook", fmt.Sprintf(`{"id":%q,"url":%q,"events":["job.*"]}`, hook, receiver.URL))
	require.Equal(t, http.StatusOK, owner.Post("/v1/webhooks/"+hook.String()+"/secret", "").Status)
	// What the server writes after ten tries over three days.
	_, err := s.SQL().Exec(t.Context(), `insert into readback.delivery (id, org, webhook, idx, event, state, attempts, last_status, last_error, body)
		values ($1, $2, $3, 1000000, 'job.job_opened', 'dead', 10, 503, 'answered 503 Service Unavailable', $4)`, letter.String(), owner.Access.Org.String(), hook.String(),
		[]byte(`{"type":"job.job_opened","timestamp":"2026-11-22T06:40:12.345Z","data":{"stream":{"kind":"job","id":"01940000-0000-7000-8000-000000000002"},"seq":1,"entry":"job-opened"}}`))
	require.NoError(t, err)

	w := open(t, browser(t), "owner", s.URL, 1180, 820)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.visit("/webhooks")
	w.sees("#webhooks", "webhooks")
	row := "#hook-" + hook.String()
	w.sees(row, receiver.URL)
	w.sees(row, "in order")
	w.sees(row, "0 arrived in a week, 0 to be sent, 1 given up")
	w.press("#dead-" + hook.String())
	w.sees(row, "after 10 tries: answered 503 service unavailable")
	shown := chromedp.Evaluate[chromedp.Void](`document.querySelector("#webhooks").scrollIntoView()`)
	run(w, shown)
	w.readable("dead", 4.5)
	run(w, chromedp.EmulateViewport(390, 844))
	run(w, shown)
	w.onPhone("dead")
	w.press("#again-" + letter.String())
	w.until(`!document.querySelector("` + row + ` .under")`)
	w.sees(row, "1 arrived in a week, 0 to be sent, 0 given up")
	w.sees(row, "the last, job.job_opened, arrived")

	status.Store(http.StatusGone)
	tech.OpenJob()
	w.sees(row, "its receiver answered that it is gone")
	w.readable("stopped", 4.5)
	status.Store(http.StatusNoContent)
	w.press("#enable-" + hook.String())
	w.sees(row, "in order")
	w.sees(row, "0 to be sent")

	// Told of other events, given another secret, retired; and one added on the page.
	w.press("#change-" + hook.String())
	w.press("label:has(#was-job)")
	w.press("#changing button")
	w.sees("#change-problem", "of what it is to be told")
	w.fill("#was-single", "register.retired, job.job-opened")
	w.press("#changing button")
	w.sees("#change-problem", "events[1]")
	w.fill("#was-single", "register.retired")
	w.readable("changing", 4.5)
	w.onPhone("changing")
	w.press("#changing button")
	w.until(`!document.querySelector("#changing") && document.querySelector("` + row + `").textContent.includes("register.retired")`)
	w.hold("#secret-"+hook.String(), `document.querySelector("#secret")`)
	w.sees(row, "the one before signs beside it until")
	require.Contains(t, run(w, chromedp.Evaluate[string](`document.querySelector("#secret").value`)), "whsec_")
	w.readable("secret", 4.5)
	w.onPhone("secret")
	w.fill("#hook-url", "http://hooks.north.example/readback")
	w.press("#new-hook .primary")
	w.sees("#hook-problem", "an https address")
	w.fill("#hook-url", "https://hooks.north.example/readback")
	w.press("#new-hook .primary")
	w.sees("[id^=hook-]", "has no secret yet")
	w.hold("#retire-"+hook.String(), `document.querySelector("`+row+`").textContent.includes("Retired: nothing is sent")`)
	w.until(`!document.querySelector("#retire-` + hook.String() + `")`)
	w.readable("all", 4.5)
}
