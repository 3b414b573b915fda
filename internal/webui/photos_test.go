package webui_test

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// upload gives a file to a file input, as somebody who chose it.
func (w *window) upload(selector, name, content string) {
	w.t.Helper()
	file := filepath.Join(w.t.TempDir(), name)
	require.NoError(w.t, os.WriteFile(file, []byte(content), 0o600))
	w.until(fmt.Sprintf(`document.querySelector(%q)`, selector))
	run(w, chromedp.SetUploadFiles(chromedp.CSS(selector), []string{file}))
}

// pull presses on an element at one place and lets go at another, both in parts of its width and height.
func (w *window) pull(selector string, fromX, fromY, toX, toY float64) {
	w.t.Helper()
	w.until(fmt.Sprintf(`document.querySelector(%q)`, selector))
	r := run(w, chromedp.Evaluate[[]float64](fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.scrollIntoView({ block: "center", behavior: "instant" });
		const r = e.getBoundingClientRect();
		return [r.x, r.y, r.width, r.height];
	})()`, selector)))
	at := func(kind input.DispatchMouseEventType, x, y float64) {
		run(w, chromedp.MouseEvent(kind, r[0]+x*r[2], r[1]+y*r[3], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	}
	at(input.DispatchMouseEventTypeMousePressed, fromX, fromY)
	at(input.DispatchMouseEventTypeMouseMoved, (fromX+toX)/2, (fromY+toY)/2)
	at(input.DispatchMouseEventTypeMouseMoved, toX, toY)
	at(input.DispatchMouseEventTypeMouseReleased, toX, toY)
}

// described wants every picture to have come and to say what it is, itself or the button it is on.
func (w *window) described(least int) {
	w.t.Helper()
	w.until(fmt.Sprintf(`document.images.length >= %d && [...document.images].every(i => i.naturalWidth > 0 &&
		(i.alt || i.closest("button, [aria-labelledby]")?.textContent.trim()))`, least))
}

// TestAGateIsMetByAPhoto: what a gate demands can be done from the bay: a photo refused in the server's words, one taken,
// looked at, attached, and the gate's line shows it.
func TestAGateIsMetByAPhoto(t *testing.T) {
	t.Parallel()
	const asks = "nothing stands between car and board" // of the procedure in testdata/import/shop.json
	s := apptest.Start(t)
	c := newScene(t, s)
	c.byProcedure()
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.press("#yes-space-clear")
	b.sees("#notice", "attach one")
	b.press("#photo-space-clear")
	b.sees("#photos-title", "photos")
	b.until(`document.querySelector("#take-photo").getAttribute("capture") === "environment" && !document.querySelector("#choose-photo").hasAttribute("capture")`)
	b.until(`["take-photo", "choose-photo"].every(id => { const e = document.getElementById(id); e.focus(); return document.activeElement === e; })`)
	b.readable("empty", 7)

	var eighty bytes.Buffer
	require.NoError(t, png.Encode(&eighty, image.NewPaletted(image.Rect(0, 0, 10_000, 8_000), color.Palette{color.White})))
	b.upload("#take-photo", "eighty.png", eighty.String())
	b.sees("#photo-problem", "10000 × 8000 = 80000000 pixels; at most 40000000 are taken")
	b.picture("eighty")
	b.upload("#choose-photo", "large.jpg", apptest.Picture()+strings.Repeat("x", 40_000_000))
	b.sees("#photo-problem", "more than 12582912 bytes")
	b.upload("#choose-photo", "page.jpg", "<html>")
	b.sees("#photo-problem", "neither a jpeg nor a png")

	b.upload("#take-photo", "floor.jpg", apptest.Picture())
	b.until(`document.querySelector("#photo-problem").textContent === ""`)
	b.described(1)
	b.sees("#photo-said", "how it is kept")
	b.until(`document.querySelector("#photo-of")?.value === '{"gate":"space-clear"}'`)
	b.fill("#photo-caption", "Three metres free all around.")
	b.readable("draft", 7)
	b.onPhone("draft")
	b.press("#attach-met")
	b.sees("#gate-space-clear.met", "photographed")
	b.described(1)
	b.until(`document.querySelector("#gate-space-clear .thumb img").alt.includes("Three metres free all around.")`)
	b.readable("met", 7)
	b.onPhone("met")
	var state struct {
		Gates []struct {
			Gate, Evidence string
			Met            bool
			Photos         []string
		}
	}
	c.state(&state)
	for _, g := range state.Gates {
		if g.Gate == "space-clear" {
			require.True(t, g.Met)
			require.Equal(t, "photographed", g.Evidence)
			require.Len(t, g.Photos, 1)
		}
	}

	b.press("#thumb-space-clear-1")
	b.sees("#photo-title", "three metres free")
	b.readable("board", 7)
	b.onPhone("board")
	b.press("#all-photos")
	b.sees("#look-1 span", "gate: space around car and target is clear")
	b.sees("#look-1 .quiet", asks)
	b.readable("list", 7)
	b.onPhone("list")

	// The record calls it by the same name.
	b.visit("/record/" + c.cal.ID.String())
	b.sees("#entries-table span", "met: space around car and target is clear")
	b.sees("#entries-table span", "photo attached: space around car and target is clear")
	b.sees("#entries-table .more", asks)
	b.until(`document.querySelector("#entries-table .still")?.getAttribute("aria-label") === "Photo: Space around car and target is clear"`)
	b.picture("record")
}

// TestMarksOnAPhotoByBothSides: the bay attaches a photo to a step; the desk is told, sees it, draws on it with the pointer and
// with keys, and the bay sees that as it comes; then the bay draws, and the desk sees it.
func TestMarksOnAPhotoByBothSides(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	c.report(nil)
	browser := browser(t)
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#verdict", "within")
	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees("#verdict", "within")

	b.press("#more")
	b.press("#part-photos")
	b.upload("#choose-photo", "target.jpg", apptest.Picture())
	b.until(`document.querySelector("#photo-of")?.value.startsWith('{"reading"')`) // what was last done
	b.until(`document.querySelector("#attach-met").hidden`)
	b.choose("#photo-of", `{"step":1}`)
	b.fill("#photo-caption", "The label on the back.")
	b.press("#attach")
	b.sees("#look-1", "step 1: fit target t-cam-07")
	b.press("#look-1")
	b.sees("#photo-title", "the label on the back")

	d.sees("#notice", "demo 1: bay attached photo 1")
	d.described(1)
	d.picture("told")
	d.press("#see-photo")
	d.sees("#photo-title", "the label on the back")
	d.pull("#stage", 0.1, 0.1, 0.45, 0.45)
	d.until(`document.querySelectorAll(".stage .ink.unsent").length === 1`)
	d.press("#tool-ring")
	run(d, chromedp.Evaluate[chromedp.Void](`document.querySelector("#stage").focus()`))
	d.keys("\r")                             // the middle
	run(d, chromedp.KeyEvent(kb.ArrowRight)) // right
	d.until(`document.querySelector("#pen").textContent.includes("52")`)
	for range 4 {
		run(d, chromedp.KeyEvent(kb.ArrowRight))
	}
	d.keys("\r")
	d.until(`document.querySelectorAll(".stage .ink.unsent").length === 2`)
	d.press("#tool-text")
	d.fill("#mark-text", "Turn this side up.")
	d.pull("#stage", 0.6, 0.3, 0.6, 0.3)
	d.until(`document.querySelectorAll(".stage .ink.unsent").length === 3`)
	d.readable("unsent", 4.5)
	d.press("#tool-line")
	d.pull("#stage", 0.2, 0.9, 0.8, 0.9)
	d.press("#undo-mark")
	d.until(`document.querySelectorAll(".stage .ink.unsent").length === 3`)
	d.press("#send-marks")
	d.until(`document.querySelectorAll(".marks li").length === 3 && document.querySelectorAll(".stage .ink.unsent").length === 0`)
	d.readable("sent", 4.5)

	b.sees(".marks", "turn this side up.")
	b.sees(".marks", "desk")
	b.until(`document.querySelectorAll(".stage .ink.desk").length === 3`)
	b.readable("drawn", 7)
	b.onPhone("drawn")
	b.press("#tool-line")
	b.pull("#stage", 0.2, 0.8, 0.8, 0.8)
	b.press("#send-marks")
	d.until(`document.querySelectorAll(".stage .ink.bay").length === 1 && document.querySelectorAll(".marks li").length === 4`)
	d.keys("\x1b")
	d.sees("#verdict", "within")

	// At work again the bay is told of what the desk draws.
	b.press("#back")
	b.sees("#verdict", "within")
	var state struct {
		Photos []struct {
			Photo string
			Marks []struct {
				Kind, Role string
				Points     []struct {
					X int64 `json:"x_ppm"`
					Y int64 `json:"y_ppm"`
				}
			}
		}
	}
	c.state(&state)
	c.does(c.desk, "mark-photo", fmt.Sprintf(`{"photo":%q,"marks":[{"kind":"arrow","points":[{"x_ppm":0,"y_ppm":0},{"x_ppm":1,"y_ppm":1}]}]}`, state.Photos[0].Photo))
	b.sees("#notice", "desk drew on photo 1")
	b.picture("told")
	b.press("#see-photo")
	b.until(`document.querySelectorAll(".marks li").length === 5`)

	// As drawn, within what a pixel of the screen is of the photo: 0.4 % of 250 pixels.
	marks := state.Photos[0].Marks
	require.Len(t, marks, 4)
	for i, want := range []struct {
		kind, role string
		x, y       int64
	}{{"arrow", "specialist", 450_000, 450_000}, {"ring", "specialist", 600_000, 500_000}, {"text", "specialist", 600_000, 300_000}, {"line", "technician", 800_000, 800_000}} {
		require.Equal(t, want.kind, marks[i].Kind)
		require.Equal(t, want.role, marks[i].Role)
		last := marks[i].Points[len(marks[i].Points)-1]
		require.InDelta(t, want.x, last.X, 4000)
		require.InDelta(t, want.y, last.Y, 4000)
	}
}
