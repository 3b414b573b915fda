package webui_test

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// value gives what is in a field.
func (w *window) value(selector string) string {
	w.t.Helper()
	return run(w, chromedp.Evaluate[string](fmt.Sprintf(`document.querySelector(%q).value`, selector)))
}

// TestWhatIsTypedStays while the other side sends entries: text, focus and selection, choices, what is opened. Half is typed, an
// entry of the other side is drawn, and the typing goes on, without a press between.
func TestWhatIsTypedStays(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	browser := browser(t)
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())

	// A row of the gates, which every entry draws anew; the cursor stands in the middle of what is selected.
	b.press("#more")
	b.press("#part-gates")
	b.fill("#value-temperature-noted", "210")
	b.keys(kb.ArrowLeft) // before the 0
	c.does(c.tech, "record-gate", `{"gate":"doors-shut","met":false,"evidence":"declared"}`)
	b.sees("#gate-doors-shut.not", "not met")
	b.keys(".")
	require.Equal(t, "21.0", b.value("#value-temperature-noted"))
	c.does(c.tech, "record-gate", `{"gate":"doors-shut","met":true,"evidence":"declared"}`)

	// A long form beside the work, which an instruction of the desk puts away; it is found again as it was left.
	b.press("#back")
	b.press("#more")
	b.press("#part-sheet")
	b.fill("#source", "Invented service")
	b.press("#by-side")
	c.does(c.desk, "instruct", `{"step":"set-distance"}`)
	b.sees("#instruction", "set target distance")
	b.press("#more")
	b.press("#part-sheet")
	b.until(`document.querySelector("#source")?.value === "Invented service" && document.querySelector("#by-side").checked`)
	b.press("#more")
	b.press("#part-gates")
	require.Equal(t, "21.0", b.value("#value-temperature-noted"))

	// The desk's note, while the bay reads back and measures; and a form that changes with what can be waived.
	d.sees(".answers-box", "the bay")
	d.keys("n")
	d.fill("#reason", "The lamp in ")
	c.does(c.tech, "read-back", `{"step":2,"value_um":2120000}`)
	d.sees("#log summary", fmt.Sprint(c.cal.Seq))
	d.keys("bay 1")
	require.Equal(t, "The lamp in bay 1", d.value("#reason"))
	d.press("#send-form")
	d.until(`!document.querySelector("#desk-form")`)
	c.does(c.desk, "confirm", `{"step":2}`)
	c.does(c.tech, "done", `{"step":2}`)
	c.rig = place(0.4, -8, 0.4, 0.02)
	c.report(nil)
	d.sees("#verdict", "move")
	d.keys("w")
	d.fill("#reason", "As near ")
	c.does(c.tech, "record-gate", `{"gate":"area-marked","met":false,"evidence":"declared"}`)
	d.sees("#waive-what", "area is marked off")
	d.keys("as it goes.")
	require.Equal(t, "As near as it goes.", d.value("#reason"))
	d.keys("\x1b")

	// The customer's notice, and a reason to reopen, while the desk signs.
	c.does(c.desk, "declare", `{"outcome":"not-completed","reason":"Invented."}`)
	c.does(c.tech, "sign", `{}`)
	b.sees("#notice-form", "told in writing")
	b.choose("#notice-how", "post")
	b.press("#refused")
	b.press("#reopen-box summary")
	b.fill("#reopen-reason", "The customer ")
	c.does(c.desk, "sign", `{}`)
	b.sees("#record > .signs", "specialist")
	b.keys("is back.")
	require.Equal(t, "The customer is back.", b.value("#reopen-reason"))
	require.Equal(t, "post", b.value("#notice-how"))
	require.True(t, run(b, chromedp.Evaluate[bool](`document.querySelector("#refused").checked && document.querySelector("#reopen-box").open`)))
}

// TestAPressIsSaidOnWhatWasSeen: a button that is pressed while another entry comes is said on the screen that was read, not
// on the one that nobody has seen yet; the server refuses what that makes stale.
func TestAPressIsSaidOnWhatWasSeen(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	c.report(nil)
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#verdict", "within limits")
	x, y := b.at("#lock")
	b.pointer(input.DispatchMouseEventTypeMousePressed, x, y)
	c.rig = place(0.5, -0.2, 0.4, 0.02) // within limits as well, and somebody else's readings
	c.report(nil)
	b.until(`[...document.querySelectorAll(".slot-value")].some((e) => e.textContent.includes("0.2"))`)
	require.NotEmpty(t, b.text("#lock"))
	b.pointer(input.DispatchMouseEventTypeMouseReleased, x, y)
	b.sees("#notice", "something came in between")
	var state struct{ Place struct{ Stage string } }
	c.state(&state)
	require.Equal(t, "placed", state.Place.Stage)
	b.press("#lock") // having looked
	b.sees("#instruction", "freeze")

	// Readings are said on what they were begun on: a sheet that comes meanwhile is looked at before they count.
	c.does(c.tech, "void-setup", `{"cause":"fixture-touched"}`)
	b.press("#take-readings")
	b.sees("#asked", "front bumper to board face")
	c.does(c.tech, "void-setup", `{"cause":"car-moved"}`)
	b.keys("2120.4\r")
	b.press("#send-now")
	b.sees("#notice", "something came in between")
	b.press("#send-now")
	b.until(`document.querySelector("#verdict")`)
}
