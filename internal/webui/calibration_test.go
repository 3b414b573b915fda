package webui_test

import (
	"fmt"
	"regexp"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// bay is the technician's window with the board that stands before the car.
type bay struct {
	*window
	rig *rig
}

// measure takes every reading that the keypad asks for, until it asks for none. slip may change what is typed.
func (b *bay) measure(slip func(ask, value string) string) {
	b.t.Helper()
	count := regexp.MustCompile(`reading (\d+) of (\d+)`)
	for {
		b.sees("#count", "reading")
		m := count.FindStringSubmatch(b.text("#count"))
		require.Len(b.t, m, 3)
		ask := b.text("#asked")
		value := b.rig.read(ask)
		if slip != nil {
			value = slip(ask, value)
		}
		b.keys(value + "\r")
		if m[1] == m[2] {
			break
		}
		b.until(fmt.Sprintf(`!document.querySelector("#count")?.textContent.startsWith(%q)`, "Reading "+m[1]+" ") +
			fmt.Sprintf(` && !document.querySelector("#count")?.textContent.startsWith(%q)`, "Closing reading "+m[1]+" "))
	}
	b.until(`!document.querySelector("#count")`)
}

// leg goes from a set-up within limits to the leg's end.
func (b *bay) leg(d *window) {
	b.t.Helper()
	b.press("#lock")
	b.press("#freeze")
	b.twoWords(d)
	d.keys("c")
}

// twoWords starts the leg of a frozen set-up.
func (b *bay) twoWords(d *window) {
	b.t.Helper()
	b.press("#closing")
	b.measure(nil)
	b.press("#say-again")
	b.sees("#word-go", "the desk's word")
	b.fits("words")
	b.hold("#bay-clear", `document.querySelector("#word-clear")`)
	d.sees(".next-title", "go")
	b.fits("bay-clear")
	d.picture("two-words")
	d.keys("g")
	b.sees("#instruction", "leg running")
	d.sees(".next-title", "how did the leg end")
	b.fits("running")
}

// TestCalibrationInTwoWindows takes a calibration from the job to two signatures: a technician's tablet and a specialist's
// desk, two browser windows that share nothing but the server. On the way a board stands off, a reading is mistyped and a
// read-back is wrong; each is caught before anything runs.
func TestCalibrationInTwoWindows(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	browser := browser(t)
	b := &bay{window: open(t, browser, "bay", s.URL, 1194, 834), rig: place(3, -14, 1, 0.6)}
	d := open(t, browser, "desk", s.URL, 1280, 800)

	b.signIn(apptest.Technician, "demo technician", "/bay")
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.sees("#link", "linked")
	d.sees("main", "nobody waits")

	// The job, with the alignment of apptest.Alignment.
	b.fill("#plate", "DEMO 418")
	b.picture("new-job")
	b.press("#new-job button[type=submit]")
	b.sees("#missing", "mileage")
	b.fill("#vin", "ZZZDEM0A4CR000017")
	b.fill("#mileage", "48210")
	b.choose("#steering", "left")
	b.choose("#dimensions", "01940000-0000-7000-8000-0000000000e1")
	b.press("#car button[type=submit]")
	b.sees("#vin-check", "check digit")
	b.press("#causes-glass")
	b.choose("#sensor-front-camera", "affected")
	b.choose("#told", "yes")
	b.press("#work button[type=submit]")
	b.sees("#missing", "all that is asked for is said")
	b.press("#zero")
	b.fill("#toe-left", "0.25")
	b.fill("#toe-right", "-0.05")
	b.press("#attach-typed")
	b.sees("#alignment", "thrust line 0.15° to vehicle right")
	b.choose("#method-front-camera", "") // here the numbers are typed
	b.picture("job")
	b.press("#begin-front-camera")

	// Every gate, those that are due later too.
	b.sees("#link", "linked")
	b.sees("#gates-title", "car and bay")
	b.picture("gates")
	for _, g := range []string{"floor-surveyed", "space-clear", "tyres-set", "load-set", "background-plain", "glass-clean"} {
		b.press("#yes-" + g)
		b.until(fmt.Sprintf(`!document.querySelector("#gate-%s") || document.querySelector("#gate-%s.met")`, g, g))
	}
	b.sees("#instruction", "ready to ask") // the rest is due before a leg
	b.fits("ready")
	b.onPhone("ready")
	require.GreaterOrEqual(t, run(b.window, chromedp.Evaluate[float64](`((a, b) => b.top - a.bottom)(...["to-sheet", "ask-more"].map(id => document.getElementById(id).getBoundingClientRect()))`)), 24.0, "pixels between two keys")
	b.press("#more")
	b.press("#part-gates")
	for _, g := range []string{
		"ride-height-checked", "steering-straight", "brakes-and-chocks", "battery-supported", "doors-shut", "area-marked", "light-even",
	} {
		b.press("#yes-" + g)
		b.sees("#gate-"+g+".met", "met")
	}
	b.fill("#value-temperature-noted", "18.5")
	b.press("#yes-temperature-noted")
	b.sees("#gate-temperature-noted.met", "noted")

	// The set-up sheet.
	b.press("#more")
	b.press("#part-sheet")
	for field, text := range map[string]string{
		"#source": "Invented service information, front camera", "#version": "4", "#datum-height": "500", "#distance": "2120", "#height": "1260",
		"#limit-distance": "5", "#limit-lateral": "5", "#limit-height": "5", "#limit-yaw": "0.3", "#limit-roll": "0.5",
	} {
		b.fill(field, text)
	}
	b.choose("#dated", "2026-03-01")
	b.choose("#bay", "01940000-0000-7000-8000-0000000000b1")
	b.press("#add-position")
	b.fill("#lateral-2", "620")
	b.choose("#side-2", "left")
	b.picture("sheet")
	b.press("#sheet button[type=submit]")
	b.sees("main", "place the target while you wait")
	b.press("#request")

	// The board is placed while the request waits, and stands off.
	b.fits("asked")
	b.press("#meanwhile")
	b.sees("#instruction", "place, then measure")
	b.fits("waiting")
	b.press("#take-readings")
	b.fits("reading")
	b.onPhone("reading")
	b.measure(nil)
	b.sees("#verdict", "move")
	b.fits("move")
	b.onPhone("move")

	// The desk claims and adopts; the target is fitted.
	d.sees(".strip.waiting", "front camera")
	d.picture("queue")
	d.keys("q\r")
	d.sees(".next-title", "adopt sheet 1")
	d.picture("adopt")
	d.keys("\r")
	d.sees(".next-title", "fit target t-cam-07")
	d.keys("\r")
	b.sees("#instruction", "fit target")
	b.fits("fit-target")
	b.onPhone("fit-target")
	b.until(`[...document.querySelectorAll(".answer span")].every(e => e.getClientRects().length === 1)`) // an id in one line
	b.press("#answer-T-CAM-07")
	d.sees(".next-title", "confirm")
	d.keys("\r")
	b.press("#done")

	// The moves are made; one tape reading has two digits swapped on its way to the tablet.
	b.sees("#verdict", "move")
	d.picture("bays-turn")
	// One clock to a strip: how long whoever has the turn has had it.
	d.until(`((e) => e.textContent.match(/\d+:\d\d/g)?.join() === e.querySelector(".strip-clock").textContent)(document.querySelector(".strip"))`)
	b.rig = place(0.6, -0.4, 0.5, 0.03)
	b.press("#moved")
	b.measure(func(ask, value string) string {
		if ask == "front left hub to right end" {
			return value[:2] + value[3:4] + value[2:3] + value[4:]
		}
		return value
	})
	b.sees("#verdict", "measure again")
	d.sees("#verdict", "measure again")
	b.fits("measure-again")
	d.picture("measure-again")
	b.press("#again")
	b.sees("#asked", "front left hub to right end")
	b.measure(nil)
	b.sees("#verdict", "within limits")
	d.sees("#verdict", "within limits")
	b.fits("within")
	b.scaleIsTrue(1560)
	b.onPhone("within")

	b.press("#more")
	b.press("#part-scan")
	b.press("#no-codes")
	b.press("#scan button[type=submit]")

	// The first leg is stopped from the bay. Both agree to restart; the routine holds, so it is the same run.
	b.press("#lock")
	b.press("#freeze")
	b.twoWords(d)
	b.press("#stop")
	b.sees("#instruction", "stopped")
	d.sees(".strip-turn", "stopped")
	b.fits("stopped")
	b.press("#restart")
	d.sees(".next-title", "agree to restart")
	d.picture("restart")
	d.keys("h") // whether the routine holds is nothing that Enter should say
	b.sees("#instruction", "closing readings")
	b.twoWords(d)
	d.keys("c")

	// The second position: the mirror of what was said is caught, and said again.
	d.sees(".next-title", "position 2")
	d.picture("send-position")
	d.keys("\r")
	b.sees("#instruction", "put target 620\u00a0mm to vehicle left of the thrust line")
	b.sees("#since", "asked 0:0")
	b.fits("instruct")
	b.onPhone("instruct")
	b.press("#answer-right-620")
	b.sees("#wrong", "do not move")
	b.until(`document.querySelector("#say").textContent === "Not what the desk said. Do not move. The desk says it again."`)
	d.sees(".next-title", "say again")
	b.fits("wrong")
	d.picture("say-again")
	d.keys("a")
	b.sees("#instruction", "put target 620")
	b.until(`document.querySelector("#say").textContent.includes("Put the target six two zero millimetres to vehicle left")`) // said again
	b.press("#answer-left-620")
	d.sees(".next-title", "confirm")
	b.fits("matched")
	d.keys("\r")
	b.sees(".verdict-word", "do it now")
	b.fits("do-it")
	b.press("#done")
	b.press("#take-readings")
	b.measure(nil)
	b.sees("#verdict", "within limits")
	b.leg(d)

	// The result and two signatures.
	d.sees(".next-title", "declare the outcome")
	d.keys("\r")
	d.press("#routine-confirmed")
	d.choose("#lamps", "off")
	d.readable("declare", 4.5)
	d.press("#send-form")
	b.press("#sign")
	d.sees(".next-title", "sign")
	d.keys("\r")
	b.press("#close")
	b.sees("#instruction", "closed")
	b.picture("closed")
	d.picture("closed")
}
