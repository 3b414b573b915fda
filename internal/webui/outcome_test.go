package webui_test

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestOutcomes: a leg with the values that the routine gave, declared completed with what was looked at, reopened, declared
// not completed, the notice opened, its handing over recorded with its hash, signed by one person in two roles, closed.
func TestOutcomes(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.tech = s.As(apptest.ShopOwner) // who is technician too
	grant(c.tech, c.tech.Access.Member.String())
	c.gates()
	c.scanned("before")
	c.sheetOf(`{"name":"1","lateral_um":0}`)
	c.does(c.tech, "request", `{}`)
	c.claim()
	c.report(nil)
	c.held()
	c.run()

	browser := browser(t)
	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees(".next-title", "how did the leg end")
	d.keys("v")
	d.fill("#name-0", "pitch")
	d.fill("#value-0", "-0.42")
	d.fill("#unit-0", "deg")
	d.readable("values", 4.5)
	d.press("#send-form")
	d.sees(".next-title", "declare the outcome")
	d.keys("\r")
	d.press("#routine-confirmed")
	d.choose("#lamps", "off")
	d.fill("#remarks", "Drove 5 km, nothing lit.")
	d.press("#send-form")
	d.sees("#record", "the vehicle took it over, warning lamps off")
	d.sees("#record", "1: pitch -0.42 deg")
	d.sees("#record", "no scan after the work")
	d.readable("declared", 4.5)

	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	b.visit(c.bay())
	b.sees("#instruction", "result: completed")
	b.readable("completed", 7)
	b.onPhone("completed")
	b.press("#sign")
	b.until(`!document.querySelector("#sign")`)
	d.sees("#record .signs", "technician") // so that nothing moves under the next press

	d.press("#reopen")
	d.fill("#reason", "The lamp came on again.")
	d.press("#send-form")
	b.sees("#instruction", "place, then measure")
	d.sees("#earlier", "declared before and reopened: 1")
	d.keys("o")
	d.choose("#outcome", "not-completed")
	d.fill("#reason", "The routine does not start any more.")
	d.press("#send-form")
	d.sees(".next-title", "sign")
	d.keys("\r")

	b.sees("#instruction", "result: not completed")
	b.press("#sign")
	b.sees("#notice-form", "the customer is told in writing")
	b.sees("#record > .signs", "specialist")
	b.press("#earlier summary")
	b.sees("#earlier", "the lamp came on again")
	b.readable("notice", 7)
	b.onPhone("notice")
	require.True(t, run(b, chromedp.Evaluate[bool](`document.querySelector("#handed").disabled`)))
	// Where the notice does not come in its time it is said, and it can be had again.
	run(b, chromedp.Evaluate[chromedp.Void](`(() => {
		const real = AbortSignal.timeout;
		AbortSignal.timeout = (ms) => (window.limit = ms, AbortSignal.timeout = real, AbortSignal.abort(new DOMException("over", "TimeoutError")));
	})()`))
	b.press("#print")
	b.sees("#notice-problem", "the notice did not come")
	b.until(`window.limit === 30000 && document.querySelector("#handed").disabled`)
	b.press("#print")
	b.until(`!document.querySelector("#handed").disabled`)
	b.press("#handed")
	b.sees("#notice-handed", "notice handed to the customer, in hand")
	b.press("#release")
	b.sees("#record", "signed by the same person again")
	b.readable("signed", 7)
	b.press("#close")
	b.sees("#instruction", "closed: not completed")
	b.readable("closed", 7)
	b.onPhone("closed")
	d.sees(".next-title", "closed: not completed")
	d.sees("#record", "signed by the same person again")

	var state struct {
		Notice struct{ SHA256, Language string }
		Signs  []struct{ Again bool }
	}
	c.state(&state)
	page := c.tech.Get(c.cal.Path() + "/notice?lang=en")
	sum := sha256.Sum256([]byte(page.Body))
	require.Equal(t, hex.EncodeToString(sum[:]), state.Notice.SHA256)
	require.Len(t, state.Signs, 3)

	b.press("#reopen-box summary")
	b.fill("#reopen-reason", "The customer came back.")
	b.hold("#reopen", `!document.querySelector("#reopen")`)
	b.sees("#gates-title", "car and bay: 14 open")
}

// TestEndingItFromTheBay before anybody has come.
func TestEndingItFromTheBay(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.press("#more")
	b.press("#part-end")
	b.fill("#end-it-reason", "The customer needs the car.")
	b.readable("end", 7)
	b.hold("#end-it", `!document.querySelector("#end-it")`)
	b.sees("#instruction", "result: withdrawn")
	b.press("#sign")
	b.press("#close")
	b.sees("#instruction", "closed: withdrawn")
}
