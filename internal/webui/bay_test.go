package webui_test

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestSeldomScenesOfTheBay: what a verdict can also say, a move that is instructed, and a set-up that stands no longer.
func TestSeldomScenesOfTheBay(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#instruction", "place, then measure")
	b.readable("place", 7)

	c.report(planned[:2])
	b.sees("#verdict", "more readings needed")
	b.sees("#again", "take the 6 that are left")
	b.fits("undetermined")
	b.readable("undetermined", 7)
	b.onPhone("undetermined")

	c.rig = place(0.4, -4.6, 0.4, 0.02)
	c.report(nil)
	b.sees("#verdict", "too close to call")
	b.fits("unsure")
	b.readable("unsure", 7)
	b.onPhone("unsure")

	c.rig = place(0.4, -83, 0.4, 0.02)
	c.report(nil)
	b.sees("main", "it is far off")
	c.does(c.desk, "instruct", `{"step":"move"}`)
	b.sees("#instruction", "left")
	b.fits("move-step")
	b.readable("move-step", 7)
	b.onPhone("move-step")
	c.does(c.tech, "stop", `{}`)
	b.sees("#instruction", "stopped")
	b.readable("stopped", 7)
	c.does(c.tech, "restart", `{}`)
	c.does(c.desk, "restart", `{"routine_holds":true}`)
	b.sees("#instruction", "left")

	b.press("#more")
	b.readable("more", 7)
	b.press("#part-void")
	b.sees("main", "what changed")
	b.fits("void")
	b.readable("void", 7)
	b.onPhone("void")
	b.press("#void-more")
	b.sees("main", "light changed")
	b.hold("#void-light-changed", `!document.querySelector("#void-light-changed")`)
	b.sees("#instruction", "left") // the step is open as before
	var state struct {
		Place struct{ Stage, Void string }
		Steps []struct{ State string }
	}
	c.state(&state)
	require.Equal(t, "light-changed", state.Place.Void)
	require.Equal(t, "none", state.Place.Stage)

	// The same step in inches, and read back as it is shown.
	// An answer in millimetres that was asked for before and comes after changes nothing.
	run(b, chromedp.Evaluate[chromedp.Void](`(() => {
		const real = fetch;
		window.inches = 0;
		window.fetch = (at, ...more) => {
			if (String(at).includes("unit=in")) window.inches++;
			return String(at).includes("unit=mm") ? new Promise((go) => window.letGo = () => go(real(at, ...more))) : real(at, ...more);
		};
	})()`))
	c.does(c.tech, "note", `{"text":"It is cold in here."}`)
	b.until("window.letGo")
	b.press("#more")
	b.press("#unit")
	b.sees("#unit", "show millimetres")
	b.press("#back")
	b.sees("#instruction", "\u00a0in ")
	run(b, chromedp.Evaluate[chromedp.Void](`(window.inches = 0, window.letGo())`))
	b.until("window.inches > 0") // looked again
	b.sees("#instruction", "\u00a0in ")
	b.readable("inches", 7)
	b.fits("inches")
	b.onPhone("inches")
	b.press(run(b, chromedp.Evaluate[string](`"#" + [...document.querySelectorAll(".answer")].find((a) =>
		a.id === "answer-left-" + document.querySelector(".figure").textContent.replace(".", "-")).id`)))
	b.sees("main", "that is what the desk said")
	c.state(&state)
	require.Equal(t, "matched", state.Steps[1].State)

	// The theme stays with the device.
	b.visit("/bay")
	b.press("#theme")
	b.until(`document.documentElement.dataset.theme === "light"`)
	run(b, chromedp.Reload())
	b.until(`document.documentElement.dataset.theme === "light"`)
	b.picture("light")
}

// TestAnInstructionBetweenReadings: the desk speaks while the keypad is open. What is to be read back is on top, also after a
// reload; what was typed is there again when it is done, and is sent. Where the instruction moved the target it no longer stands.
func TestAnInstructionBetweenReadings(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	b := &bay{window: open(t, browser(t), "bay", s.URL, 1180, 820), rig: c.rig}
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#instruction", "place, then measure")
	// The numbers of the scene's sheet.
	b.sees("#goal", "distance 2120\u00a0mm ahead of front bumper, along the thrust line")
	b.sees("#goal", "lateral centre on the thrust line")
	b.sees("#goal", "height 1260\u00a0mm above plane of the wheels")
	b.fits("place")
	b.press("#take-readings")
	b.sees("#asked", "front bumper to board face")

	// A doubt moves no key.
	b.keys("9\r")
	top := `document.querySelector("#key-enter").getBoundingClientRect().top`
	b.sees("#hint", "check the digits")
	with := run(b.window, chromedp.Evaluate[float64](top))
	b.keys("\b")
	b.until(`document.querySelector("#hint").textContent === ""`)
	require.Equal(t, with, run(b.window, chromedp.Evaluate[float64](top)))
	b.keys(c.rig.read("front bumper to board face") + "\r")
	b.sees("#count", "reading 2 of 8")
	b.keys("27")

	c.does(c.desk, "instruct", `{"step":"fit-target"}`)
	b.sees("#instruction", "fit target")
	b.sees("#turn", "your turn: read back")
	b.sees("#since", "asked 0:")
	b.fits("between")
	b.visit(c.bay())
	b.press("#answer-T-CAM-07")
	b.sees(".verdict-word", "that is what the desk said")
	c.does(c.desk, "confirm", `{"step":2}`)
	b.press("#done")
	b.sees("#count", "reading 2 of 8")
	b.sees("#typed", "27")
	b.keys("\b\b")
	b.measure(nil)
	b.sees("#verdict", "within limits")

	// A target that is fitted after readings makes them history, unless the board was not touched: that is asked.
	c.does(c.desk, "instruct", `{"step":"fit-target"}`)
	b.press("#answer-T-CAM-07")
	b.sees(".verdict-word", "that is what the desk said")
	c.does(c.desk, "confirm", `{"step":3}`)
	b.sees("#touched", "was the board touched")
	b.fits("fit-again")
	require.GreaterOrEqual(t, run(b.window, chromedp.Evaluate[float64](`document.querySelector(".answers").getBoundingClientRect().top - document.querySelector("#touched").getBoundingClientRect().bottom`)), 24.0, "pixels between words and keys")
	b.readable("fit-again", 7)
	b.onPhone("fit-again")
	b.press("#done-moved")
	b.sees("#instruction", "place, then measure")
	var state struct{ Place struct{ Stands []any } }
	c.state(&state)
	require.Empty(t, state.Place.Stands)
	c.report(nil)
	b.sees("#verdict", "within limits")

	b.press("#more")
	b.press("#part-readings")
	b.press(".gate-keys button")
	b.sees("#count", "reading 1 of 1")
	c.step(`{"step":"go-to-position","position":"2"}`, `"position":"2","value_um":620000,"side":"left"`)
	b.sees("#notice", "the target was moved")
	b.sees("#instruction", "place, then measure")
	b.sees("#goal", "lateral 620\u00a0mm to vehicle left of the thrust line")
}

// TestTheWordsFitASmallScreen: with every caution that can stand below them, on the tablet and on a laptop's screen.
func TestTheWordsFitASmallScreen(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed("light-even")
	c.report(nil)
	c.held()
	b := open(t, browser(t), "bay", s.URL, 1280, 800)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	// The one gate that only the desk can let pass is said, and can be answered again from here.
	b.sees("#instruction", "wait for the desk")
	b.sees("#passing", "light is even")
	b.fits("passing")
	b.press("#give-again")
	b.press("#yes-light-even")
	b.sees("#gate-light-even.met", "met")
	b.press("#back")
	b.sees("main", "no scan is recorded yet")
	b.fits("words")
}
