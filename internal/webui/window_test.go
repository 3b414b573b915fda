package webui_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// patience is how long a page may take to show what is waited for, on a busy machine.
const patience = 20 * time.Second

// window is one person's browser: cookies and storage of its own.
type window struct {
	t    *testing.T
	name string
	url  string
	ctx  context.Context
	shot int

	mu   sync.Mutex
	said []string // errors that the page logged or threw
}

// open opens a window of the given size in CSS pixels.
func open(t *testing.T, browser context.Context, name, url string, width, height int64) *window {
	t.Helper()
	w := &window{t: t, name: name, url: url}
	ctx, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext(), chromedp.WithListener(w.hear))
	w.ctx = ctx
	t.Cleanup(func() {
		cancel()
		w.mu.Lock()
		defer w.mu.Unlock()
		require.Empty(t, w.said, "errors in the %s's window", name)
	})
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height)))
	return w
}

// hear keeps what the page has to complain about.
func (w *window) hear(event any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		text := e.ExceptionDetails.Text
		if e.ExceptionDetails.Exception != nil {
			text += " " + e.ExceptionDetails.Exception.Description
		}
		w.said = append(w.said, text)
	case *cdplog.EventEntryAdded:
		// A refusal is an answer like others; the browser logs each as an error all the same.
		if e.Entry.Level == cdplog.EntryLevelError && e.Entry.Source != cdplog.EntrySourceNetwork {
			w.said = append(w.said, e.Entry.Text)
		}
	}
}

// run does one action in the window and gives what it comes to. An expression that waits does not outlive the page it
// waits on: it is given to the page that comes after.
func run[T any](w *window, action chromedp.Action[T]) T {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, patience)
	defer cancel()
	for {
		got, err := chromedp.Run(ctx, action)
		if err == nil {
			return got
		}
		if ctx.Err() != nil || !between(err) {
			w.fail(err)
		}
	}
}

// between says whether the page went while it was asked.
func between(err error) bool {
	for _, text := range []string{"context was destroyed", "Cannot find context", "navigated or closed", "Inspected target", "uniqueContextId not found"} {
		if strings.Contains(err.Error(), text) {
			return true
		}
	}
	return false
}

// fail ends the test with what the page shows, and what its fields hold.
func (w *window) fail(err error) {
	w.t.Helper()
	w.picture("failed")
	text, _ := chromedp.Run(w.ctx, chromedp.Evaluate[string](`location.href + "\n" + document.body.innerText + "\n" +
		[...document.querySelectorAll("input, select, textarea")].map(e => e.id + ": " + (e.type === "checkbox" ? e.checked : e.value.slice(0, 200))).join("\n")`))
	w.mu.Lock()
	said := strings.Join(w.said, "\n")
	w.mu.Unlock()
	w.t.Fatalf("%s: %v\n%s\n%s", w.name, err, text, said)
}

// until waits until the page fulfils a condition, a JavaScript expression.
func (w *window) until(condition string) {
	w.t.Helper()
	run(w, chromedp.Poll[chromedp.Void]("Boolean("+condition+")", chromedp.WithPollingTimeout(patience)))
}

// sees waits until a visible element holds the text, in whatever case.
func (w *window) sees(selector, text string) {
	w.t.Helper()
	w.until(fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.checkVisibility() && e.textContent.toLowerCase().includes(%q))`,
		selector, strings.ToLower(text)))
}

// text gives what an element says, in lower case.
func (w *window) text(selector string) string {
	w.t.Helper()
	return strings.TrimSpace(run(w, chromedp.Evaluate[string](fmt.Sprintf(`document.querySelector(%q).textContent.toLowerCase()`, selector))))
}

// at waits until an element can be pressed and gives its middle.
func (w *window) at(selector string) (x, y float64) {
	w.t.Helper()
	at := run(w, chromedp.Poll[[]float64](fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		if (!e || e.disabled || !e.checkVisibility()) return null;
		e.scrollIntoView({ block: "nearest", behavior: "instant" });
		const r = e.getBoundingClientRect(), at = [r.x + r.width / 2, r.y + r.height / 2];
		const there = document.elementFromPoint(...at);
		return e.contains(there) || e.closest("label")?.contains(there) ? at : null;
	})()`, selector), chromedp.WithPollingTimeout(patience)))
	require.Len(w.t, at, 2, selector)
	return at[0], at[1]
}

// press presses an element with the pointer. Where something moved it away between the look and the press, the pointer is
// let go elsewhere and the element pressed where it is then, as somebody would who sees it move.
func (w *window) press(selector string) {
	w.t.Helper()
	for {
		x, y := w.at(selector)
		w.pointer(input.DispatchMouseEventTypeMousePressed, x, y)
		under := run(w, chromedp.Evaluate[bool](fmt.Sprintf(`(() => {
			const e = document.querySelector(%q);
			return Boolean(e?.matches(":active") || e?.closest("label")?.matches(":active"));
		})()`, selector)))
		if under {
			w.pointer(input.DispatchMouseEventTypeMouseReleased, x, y)
			return
		}
		w.pointer(input.DispatchMouseEventTypeMouseMoved, 0, 0)
		w.pointer(input.DispatchMouseEventTypeMouseReleased, 0, 0)
	}
}

func (w *window) pointer(what input.DispatchMouseEventType, x, y float64) {
	w.t.Helper()
	run(w, chromedp.MouseEvent(what, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)))
}

// hold keeps the pointer down on an element until the page fulfils a condition.
func (w *window) hold(selector, condition string) {
	w.t.Helper()
	x, y := w.at(selector)
	w.pointer(input.DispatchMouseEventTypeMousePressed, x, y)
	w.until(condition)
	w.pointer(input.DispatchMouseEventTypeMouseReleased, x, y)
}

// visit goes to an address of the server.
func (w *window) visit(path string) {
	w.t.Helper()
	run(w, chromedp.Navigate(w.url+path))
}

// fill types into an empty field, or replaces what is in it.
func (w *window) fill(selector, text string) {
	w.t.Helper()
	w.at(selector)
	run(w, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector(%q).focus(), document.querySelector(%q).select()`, selector, selector)))
	run(w, chromedp.KeyEvent(text))
}

// choose sets a selection or a date, which keys would set in a way that depends on the locale.
func (w *window) choose(selector, value string) {
	w.t.Helper()
	w.at(selector)
	run(w, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.value = %q;
		e.dispatchEvent(new Event("change", { bubbles: true }));
	})()`, selector, value)))
}

// keys types on the keyboard, wherever the focus is.
func (w *window) keys(text string) {
	w.t.Helper()
	run(w, chromedp.KeyEvent(text))
}

// picture keeps a screenshot among the test's artifacts (go test -artifacts).
func (w *window) picture(name string) {
	png, err := chromedp.Run(w.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		w.t.Logf("no picture of %s: %v", name, err)
		return
	}
	w.shot++
	file := filepath.Join(w.t.ArtifactDir(), fmt.Sprintf("%s-%02d-%s.png", w.name, w.shot, name))
	require.NoError(w.t, os.WriteFile(file, png, 0o644))
}

// fits wants the page to show all of itself: nothing to scroll to, sideways or down, where somebody stands two metres away.
func (w *window) fits(name string) {
	w.t.Helper()
	w.picture(name)
	over := run(w, chromedp.Evaluate[[]float64](`[document.documentElement.scrollWidth - innerWidth,
		document.querySelector("main").scrollHeight - document.querySelector("main").clientHeight,
		document.querySelector("main").scrollWidth - document.querySelector("main").clientWidth]`))
	require.Equal(w.t, []float64{0, 0, 0}, over, "%s: %s: sideways, down, and sideways in its middle", w.name, name)
}

// onPhone looks at the page as a phone shows it, and goes back to the tablet.
func (w *window) onPhone(name string) {
	w.t.Helper()
	run(w, chromedp.EmulateViewport(390, 844))
	w.picture(name + "-phone")
	over := run(w, chromedp.Evaluate[[]string](`[document.documentElement, document.querySelector("main")].some(e => e.scrollWidth > e.clientWidth) ?
		[...document.querySelectorAll("body *")].filter(e => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth).map(e => e.tagName + " " + (e.id || e.className || e.textContent.slice(0, 40))) : []`))
	require.Empty(w.t, over, "%s: %s: wider than a phone, or its middle is", w.name, name)
	run(w, chromedp.EmulateViewport(1194, 834))
}

// scaleIsTrue measures the plan on the screen: its rule against the distance of the hubs, which is the front track, by the
// factor that the plan states for errors.
func (w *window) scaleIsTrue(frontTrackMM float64) {
	w.t.Helper()
	got := run(w, chromedp.Evaluate[[]float64](`(() => {
		const middles = [...document.querySelectorAll(".plan .hub")].map(e => e.getBoundingClientRect()).map(b => b.x + b.width / 2);
		const path = document.querySelector(".plan .rule path");
		return [Math.abs(middles[0] - middles[1]), path.getBBox().width * path.getScreenCTM().a,
			parseFloat(document.querySelector(".plan .rule text").textContent), +document.querySelector("figcaption").textContent.match(/×(\d+)/)[1]];
	})()`))
	track, rule, mm, factor := got[0], got[1], got[2], got[3]
	require.InEpsilon(w.t, track/frontTrackMM*factor, rule/mm, 0.01, "pixels to the millimetre of an error") // a hundredth: a third of a pixel
}

// signIn signs in on the page for it and waits for the place where the person's work is.
func (w *window) signIn(login, password, place string) {
	w.t.Helper()
	run(w, chromedp.Navigate(w.url+"/sign-in"))
	w.fill("#login", login)
	w.fill("#password", password)
	w.keys("\r")
	w.until(fmt.Sprintf(`location.pathname === %q`, place))
}

// contrast finds texts that stand out too little from what is behind them: WCAG 2.2, "contrast ratio" and "relative
// luminance". What is switched off is left out, as there.
const contrast = `(least) => {
	const rgb = (text) => { const m = text.match(/[\d.]+/g).map(Number); return m.length > 3 && m[3] === 0 ? null : m; };
	const light = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
		.reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
	const behind = (e) => {
		for (; e; e = e.parentElement) {
			const before = getComputedStyle(e, "::before");
			if (before.position === "absolute" && before.content !== "none" && rgb(before.backgroundColor)) return rgb(before.backgroundColor);
			if (rgb(getComputedStyle(e).backgroundColor)) return rgb(getComputedStyle(e).backgroundColor);
		}
		return [255, 255, 255];
	};
	const bad = [];
	for (const e of document.body.querySelectorAll("*")) {
		const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
		if (!own || !e.checkVisibility() || e.closest(".unseen, :disabled, noscript, option")) continue;
		const style = getComputedStyle(e), drawn = e instanceof SVGElement;
		const a = light(rgb(drawn ? style.fill : style.color)), b = light(behind(drawn ? e.ownerSVGElement.parentElement : e));
		const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
		if (ratio < least) bad.push(e.textContent.trim().slice(0, 40) + " " + ratio.toFixed(2));
	}
	return bad;
}`

// reach finds what is pressed or typed in that is lower than so many pixels, or does not show that the keys are on it.
// Links in the middle of a text are as high as its lines (WCAG 2.2, 2.5.8, "inline").
const reach = `(least) => {
	const had = document.activeElement, bad = [];
	for (const e of document.querySelectorAll("button, a[href], input, select, textarea, summary")) {
		const box = e.closest("label") ?? e;
		if (!box.checkVisibility() || e.disabled || e.closest(".unseen:not(input), p, dd, li > span")) continue;
		const name = e.tagName + " " + (e.id || e.textContent.trim().slice(0, 40)), high = Math.max(box.getBoundingClientRect().height, e.getBoundingClientRect().height);
		if (high < least) bad.push(name + " is " + high.toFixed(1) + " high");
		e.focus({ focusVisible: true, preventScroll: true });
		if (document.activeElement === e && [e, box].every((x) => getComputedStyle(x).outlineStyle === "none")) bad.push(name + " shows no focus");
	}
	had === document.body ? document.activeElement.blur() : had.focus({ preventScroll: true });
	return bad;
}`

// readable wants every text to stand out from its ground at least so much, in the dark and in the light, and everything that is
// pressed to be as high as a hand needs: a gloved one in the bay (where 7 is asked for), the pointer's at the desk.
func (w *window) readable(name string, least float64) {
	w.t.Helper()
	for _, theme := range []string{"light", "dark"} {
		run(w, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.documentElement.dataset.theme = %q`, theme)))
		w.picture(name + "-" + theme)
		bad := run(w, chromedp.Evaluate[[]string](fmt.Sprintf(`(%s)(%g)`, contrast, least)))
		require.Empty(w.t, bad, "%s: %s, %s", w.name, name, theme)
	}
	high := 24
	if least >= 7 {
		high = 48
	}
	bad := run(w, chromedp.Evaluate[[]string](fmt.Sprintf(`(%s)(%d)`, reach, high)))
	require.Empty(w.t, bad, "%s: %s", w.name, name)
}

// paste puts a text into a field at once, as from the clipboard.
func (w *window) paste(selector, text string) {
	w.t.Helper()
	w.at(selector)
	run(w, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => {
		const e = document.querySelector(%q);
		e.value = %q;
		e.dispatchEvent(new Event("input", { bubbles: true }));
	})()`, selector, text)))
}
