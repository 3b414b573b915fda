package webui_test

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestWhatTheDeskMaySayOtherwise: waivers, a note, a leg that was not completed, an outcome other than completed.
func TestWhatTheDeskMaySayOtherwise(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed("area-marked")
	c.rig = place(0.4, -8, 0.4, 0.02)
	c.report(nil)

	d := open(t, browser(t), "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees("#verdict", "move")
	d.sees("#log", "opened") // what was before is there without anything new
	d.keys("w")
	d.sees("#desk-form", "waive, with your name")
	d.readable("waive", 4.5)
	d.choose("#waive-what", "verdict")
	d.fill("#reason", "As near as the stand goes.")
	d.press("#send-form")
	d.sees(".why", "let pass by you")
	d.keys("w")
	d.sees("#waive-what", "area is marked off")
	d.fill("#reason", "The bay is closed off by its doors.")
	d.press("#send-form")
	d.until(`!document.querySelector("#desk-form")`)
	d.sees("#gate-list", "all gates met")
	d.keys("w")
	d.sees("#desk-form", "nothing here can be waived")
	d.keys("\x1b")
	d.until(`!document.querySelector("#desk-form")`)
	d.keys("n")
	d.fill("#reason", "The lamp in bay 1 flickers.")
	d.press("#send-form")
	d.until(`!document.querySelector("#desk-form")`)
	d.sees("#log", "noted")

	c.scanned("before")
	c.held()
	c.does(c.tech, "bay-clear", `{}`)
	d.sees(".next-title", "go")
	d.keys("g")
	d.sees(".next-title", "how did the leg end")
	d.keys("x")
	d.sees("#desk-form", "leg not completed")
	d.fill("#reason", "It asked for the ignition.")
	d.picture("not-completed")
	d.press("#send-form")
	d.until(`!document.querySelector("#desk-form")`)
	d.sees(".strip-turn", "bay’s turn")
	var state struct {
		Attempts []struct {
			Over bool
			Legs []struct{ Outcome string }
		}
		Result struct{ Outcome string }
	}
	c.state(&state)
	require.True(t, state.Attempts[0].Over)
	require.Equal(t, "not-completed", state.Attempts[0].Legs[0].Outcome)

	d.keys("o")
	d.sees("#desk-form", "declare another outcome")
	d.choose("#outcome", "not-completed")
	d.until(`document.querySelector("#evaluation").hidden`)
	d.fill("#reason", "The routine does not start.")
	d.picture("declare-other")
	d.press("#send-form")
	d.sees(".next-title", "sign")
	c.state(&state)
	require.Equal(t, "not-completed", state.Result.Outcome)
}

// TestTwoCalibrationsAtTheDesk at once: one is given back, the other goes on; each has its place and its keys.
func TestTwoCalibrationsAtTheDesk(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	one, two := newScene(t, s), newScene(t, s)
	one.claimed()
	one.report(nil)
	two.claimed()
	d := open(t, browser(t), "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.until(`document.querySelectorAll(".strip").length === 2`)
	d.keys("1")
	d.until(`document.querySelector(".strip.focused kbd").textContent === "1"`)
	d.keys("2")
	d.until(`document.querySelector(".strip.focused kbd").textContent === "2"`)
	d.readable("two", 4.5)

	// Who goes off duty is told before what is held and what becomes of it, and may stay or go.
	d.press("#duty") // on: nobody is asked
	d.sees("#duty", "on duty")
	d.press("#duty")
	d.sees("#leaving", "you hold 2 calibrations")
	d.sees("#leaving", "a colleague may take it over without asking you")
	d.readable("leaving", 4.5)
	d.onPhone("leaving")
	d.desktop()
	d.press("#stay")
	d.until(`!document.querySelector("#leave") && document.activeElement.id === "duty"`)
	d.press("#duty")
	d.sees("#leaving", "you hold 2 calibrations")
	d.keys("\x1b")
	d.until(`!document.querySelector("#leave")`)
	d.press("#focus-" + two.cal.ID.String())
	d.press("#duty")
	d.press("#leaving-" + one.cal.ID.String())
	d.until(`!document.querySelector("#leave") && document.querySelector("#focus-` + one.cal.ID.String() + `").getAttribute("aria-pressed") === "true"`)
	d.sees("#duty", "on duty")
	d.press("#duty")
	d.press("#leave")
	d.sees("#duty", "off duty")
	d.until(`!document.querySelector("#leave") && document.querySelectorAll(".strip:not(.waiting)").length === 2`)
	d.press("#duty")
	d.sees("#duty", "on duty")

	d.press("#stop-" + one.cal.ID.String())
	d.sees("#focus-"+one.cal.ID.String()+" ~ .strip-turn", "stopped")
	d.press("#focus-" + one.cal.ID.String())
	d.sees(".asks-box", "stopped")
	one.does(one.tech, "restart", `{}`)
	d.sees(".next-title", "agree to restart")
	d.keys("r")
	d.sees("#focus-"+one.cal.ID.String()+" ~ .strip-turn", "bay’s turn")

	d.press("#focus-" + two.cal.ID.String())
	d.keys("b")
	d.sees("#desk-form", "give it back to the queue")
	d.fill("#reason", "My shift ends.")
	d.press("#send-form")
	d.sees(".strip.waiting", "front camera")
	d.until(`document.querySelectorAll(".strip:not(.waiting)").length === 1`)
	d.onPhone("given-back")
	d.desktop()
	d.press("#claim-" + two.cal.ID.String())
	d.sees(".next-title", "adopt sheet 1")
}

// TestTheDeskByKeysAlone: a digit leads into a calibration's work, Tab from there to its next step; a form takes the keys when it
// opens and gives them back when it is left; and Tab comes by everything that is pressed.
func TestTheDeskByKeysAlone(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	line := newWire(t, s.URL)
	d := open(t, browser(t), "desk", line.url(), 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees("main h1", "position 1 of 2")
	d.sees("#strips", "bay’s turn")
	here := func() string {
		return run(d, chromedp.Evaluate[string](`(() => { const e = document.activeElement; return e.id || e.parentElement?.id || e.textContent.trim(); })()`))
	}
	var stops []string
	for first := ""; len(stops) < 40; {
		d.keys(kb.Tab)
		at := here()
		if first == "" {
			first = at
		} else if at == first {
			break
		}
		stops = append(stops, at)
	}
	id := c.cal.ID.String()
	for _, want := range []string{"duty", "unit", "theme", "sign-out", "focus-" + id, "stop-" + id, "gate-list", "log"} {
		require.Contains(t, stops, want)
	}

	d.keys("n")
	d.until(`document.activeElement.id === "reason"`)
	d.keys("1 is typed here, and s stops nothing.")
	d.keys("\x1b")
	d.until(`!document.querySelector("#desk-form") && document.activeElement.id === "main"`)
	d.keys("1")
	require.Equal(t, "main", here())
	d.keys(kb.Tab)
	require.Equal(t, "gate-list", here())
	require.Equal(t, c.cal.Seq, apptest.Read[struct{ Seq uint64 }](c.desk, c.desk.Get(c.cal.Path())).Seq, "nothing was said")

	// Stop without a link: it is said whom to call until it has come to the bay.
	d.keys("1") // out of the log
	line.set(true)
	d.sees("#link", "no link")
	d.keys("s")
	d.sees("#notice", "stop has not reached "+d.text(".strip-name b")+" yet. telephone the bay: +00 555 0")
	d.picture("stop-kept")
	line.set(false)
	d.sees(".strip-turn", "stopped")
	d.until(`document.querySelector("#notice").textContent === ""`)
}
