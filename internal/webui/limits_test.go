package webui_test

import (
	"encoding/json"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestLimitsBySide: a sheet whose limits differ by side, or limit one side alone, is typed in the words of its sides; the slot of
// a quantity limited to one side has one jaw, and the instruction says the side.
func TestLimitsBySide(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.gates()
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.press("#more")
	b.press("#part-sheet")
	for field, text := range map[string]string{
		"#source": "Invented service information, front camera", "#version": "4", "#datum-height": "500", "#distance": "2120", "#height": "1260",
	} {
		b.fill(field, text)
	}
	b.choose("#dated", "2026-03-01")
	b.choose("#bay", "01940000-0000-7000-8000-0000000000b1")
	b.press("#by-side")
	b.until(`!document.querySelector("#limit-distance").checkVisibility()`)
	for field, text := range map[string]string{"#upper-distance": "5", "#upper-lateral": "8", "#lower-lateral": "2.5", "#lower-height": "0", "#upper-height": "-1", "#upper-yaw": "0.3", "#lower-yaw": "0.3"} {
		b.fill(field, text)
	}
	b.readable("limits", 7)
	b.onPhone("limits")
	b.press("#sheet button[type=submit]")
	b.sees("#sheet-problem", "above lower") // at least 1 mm too low, and not lower
	b.fill("#upper-height", "4")
	b.press("#sheet button[type=submit]")
	b.sees("#instruction", "ready to ask")
	var state struct {
		Sheet struct {
			Setup struct{ Tolerance json.RawMessage }
		}
	}
	c.state(&state)
	require.JSONEq(t, `{"distance_um":{"upper":5000},"lateral_um":{"lower":-2500,"upper":8000},"height_um":{"lower":0,"upper":4000},"yaw_udeg":{"lower":-300000,"upper":300000}}`,
		string(state.Sheet.Setup.Tolerance))

	c.does(c.tech, "request", `{}`)
	c.claim()
	c.does(c.desk, "instruct", `{"step":"set-distance"}`)
	b.sees("#instruction", "2120")
	b.sees("main", "at most 5\u00a0mm too far")
	b.until(`document.querySelector("#gone").textContent`) // a line more above it
	b.fits("instructed")
	require.Less(t, run(b, chromedp.Evaluate[float64](`parseFloat(document.querySelector("main").style.getPropertyValue("--fit"))`)), 1.0)
	b.onPhone("instructed")
	c.does(c.tech, "read-back", `{"step":2,"value_um":2120000}`)
	c.does(c.desk, "confirm", `{"step":2}`)
	c.does(c.tech, "done", `{"step":2}`)
	c.rig = place(2, 2.75, 2, 0.01)
	c.report(nil)
	b.sees("#verdict", "within limits")
	require.Equal(t, []int{1, 2, 2, 2}, run(b, chromedp.Evaluate[[]int](`[...document.querySelectorAll(".slot")].map((e) => e.querySelectorAll(".jaw").length)`)))
	b.fits("within")
	b.onPhone("within")
}
