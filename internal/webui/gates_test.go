package webui_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestGatesOfAProcedure: limits and units shown, a figure outside them not met whatever is pressed, evidence as demanded, and
// how long an answer counts; then the sheet with the procedure's numbers.
func TestGatesOfAProcedure(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.byProcedure()
	browser := browser(t)
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#gates-title", "10 open")
	b.sees("main", "front camera, three positions")
	b.sees("#gate-tyre-pressure", "\u22120.1\u00a0bar to 0.1\u00a0bar; limits as stated; has to be measured; counts 480 min")
	b.sees("#gate-battery-voltage", "12.5\u00a0v or more; outside 13\u00a0v to 14.5\u00a0v the desk has to let it pass")
	b.sees("#gate-light-level", "own limits of tamsin exemplar")
	b.sees("#gate-space-clear", "has to be photographed")
	b.readable("gates", 7)
	b.onPhone("gates")
	b.fill("#value-tyre-pressure", "0.2 bar")
	b.press("#yes-tyre-pressure")
	b.sees("#problem-tyre-pressure", "a number alone, in bar")
	b.fill("#value-tyre-pressure", "0.2")
	b.press("#yes-tyre-pressure")
	b.sees("#gate-tyre-pressure.not", "not met (0.2\u00a0bar, measured)")
	b.fill("#value-tyre-pressure", "-0.05")
	b.keys("\r")
	b.sees("#gate-tyre-pressure.met", "counts 7:59:5")
	// The point of a figure forgotten: it is asked about once, and not sent.
	b.fill("#value-battery-voltage", "138")
	b.press("#yes-battery-voltage")
	b.sees("#problem-battery-voltage", "138\u00a0v is far outside 12.5\u00a0v to 14.5\u00a0v")
	b.picture("far-outside")
	b.until(`!document.querySelector("#gate-battery-voltage.met")`)
	b.fill("#value-battery-voltage", "12.8")
	b.press("#yes-battery-voltage")
	b.sees("#gate-battery-voltage.not", "met, outside its caution")
	b.press("#yes-steering-straight")
	b.sees("#gate-steering-straight.met", "declared")
	b.readable("answered", 7)
	var state struct {
		Gates []struct {
			Gate  string
			Met   bool
			Value struct{ Amount int64 }
		}
		Sheet struct {
			From struct {
				SetUp string `json:"set_up"`
			} `json:"from_procedure"`
			Source struct{ Version string }
			Target string
		}
	}
	c.state(&state)
	require.Equal(t, "tyre-pressure", state.Gates[2].Gate)
	require.True(t, state.Gates[2].Met)
	require.EqualValues(t, -50, state.Gates[2].Value.Amount) // 1 bar is 1000 hPa, by the definition of the bar

	b.press("#more")
	b.press("#part-sheet")
	b.sees("#sheet", "numbers from the procedure")
	b.sees("#numbers", "mm ahead of front bumper, along the")
	b.until(`!document.querySelector("#distance").checkVisibility()`)
	b.readable("sheet", 7)
	b.onPhone("sheet")
	b.choose("#bay", "01940000-0000-7000-8000-0000000000b1")
	for _, wrong := range []string{"half", "-0.5"} { // neither may pass for no uncertainty at all
		b.fill("#pointing", wrong)
		b.press("#sheet button[type=submit]")
		b.sees("#sheet-problem", "finding the marks")
	}
	b.fill("#pointing", "0,5")
	b.press("#sheet button[type=submit]")
	b.until(`!document.querySelector("#sheet")`)
	c.state(&state)
	require.Equal(t, "board ahead", state.Sheet.From.SetUp)
	require.Equal(t, "4", state.Sheet.Source.Version)
	require.Equal(t, "T-CAM-07", state.Sheet.Target)
}
