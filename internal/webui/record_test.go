package webui_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestAnOwnerReadsTheRecord of a closed calibration, as somebody does who has to answer for it later: it is found in the list;
// what was let pass, spoilt and stopped stands out with who said it and why; people, instruments and certificates stand as
// they were then, though renamed since; the chain is computed in the browser, and an entry that is changed on its way is
// named; and it prints on white paper with its pages counted.
func TestAnOwnerReadsTheRecord(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.gates("light-even")
	c.sheetOf(`{"name":"1","lateral_um":0}`)
	c.does(c.tech, "request", `{}`)
	c.does(c.desk, "claim", `{}`)
	c.does(c.desk, "adopt-sheet", `{"sheet":1}`)
	c.does(c.desk, "waive", `{"what":"gate","gate":"light-even","reason":"One lamp of six is out; the board is lit evenly."}`)
	c.does(c.desk, "instruct", `{"step":"fit-target"}`)
	c.does(c.tech, "read-back", `{"step":1,"target":"T-CAM-01"}`)
	c.does(c.desk, "correct", `{"step":1}`)
	c.does(c.tech, "read-back", `{"step":1,"target":"T-CAM-07"}`)
	c.does(c.desk, "confirm", `{"step":1}`)
	c.does(c.tech, "done", `{"step":1}`)
	c.cal.Seq = c.tech.Head(c.cal)
	photo := c.tech.AttachPhoto(c.cal, `{"gate":"light-even"}`)
	c.does(c.desk, "mark-photo", fmt.Sprintf(`{"photo":%q,"marks":[{"kind":"ring","points":[{"x_ppm":400000,"y_ppm":500000},{"x_ppm":500000,"y_ppm":500000}]},
		{"kind":"text","points":[{"x_ppm":550000,"y_ppm":300000}]}],"text":"This lamp is out."}`, photo.ID))
	c.scanned("before")
	right := c.rig
	c.rig = place(12, -0.3, 0.4, 0.02)
	c.report(nil)
	c.rig = right
	c.report(nil)
	c.held()
	c.does(c.tech, "void-setup", `{"cause":"fixture-touched"}`)
	c.report(nil)
	c.held()
	c.run()
	c.does(c.desk, "end-leg", `{"outcome":"completed","values":[{"name":"pitch","value":"-0.42","unit":"deg"}]}`)
	c.scanned("after")
	c.does(c.desk, "declare", `{"outcome":"completed","evaluation":{"routine_confirmed":true,"lamps":"off"},"remarks":"Drove 5 km, nothing lit."}`)
	c.does(c.tech, "sign", `{}`)
	c.does(c.desk, "sign", `{}`)
	owner := s.As(apptest.ShopOwner)
	c.does(owner, "close", `{}`)
	c.job.Seq = c.tech.Head(c.job)
	for n := range 60 { // more than a page shows at once
		c.tech.Do(c.job, "note", fmt.Sprintf(`{"text":"Waiting room, note %d."}`, n+1))
	}
	owner.Do(owner.Register(), "change-instrument", `{"id":"01940000-0000-7000-8000-0000000000c1","name":"Laser 1, second life"}`)

	browser := browser(t)
	w := open(t, browser, "owner", s.URL, 1440, 900)
	w.signIn(apptest.ShopOwner, "demo shop owner", "/bay")
	w.press(`a[href="/records"]`)
	w.sees("#list", "closed: completed")
	w.sees("#list", "vin …000017")
	w.fill("#plate", "no such_plate")
	w.press("#look")
	w.sees("#problem", "plate: a plate of up to 15 letters and digits")
	w.until(`document.querySelector("#plate").getAttribute("aria-invalid") === "true" && !document.querySelector("#list li")`)
	w.picture("records-refused")
	w.fill("#plate", "demo-2")
	w.press("#look")
	w.sees("#found", "none.")
	w.fill("#plate", "demo-1")
	w.fill("#vin", "000017")
	w.choose("#outcome", "completed")
	w.choose("#member", owner.Access.Member.String())
	w.choose("#until", "2021-01-01")
	w.sees("#found", "none.")
	w.choose("#until", "2099-01-01")
	w.sees("#found", "1 record.")
	w.readable("records", 4.5)
	w.onPhone("records")
	w.press("#record-" + c.cal.ID.String())

	w.sees("#outcome", "completed, closed")
	w.sees("#chain", "each of the")
	w.sees("#chain", "fits the one before it")
	outs := ".outs dd"
	w.sees(outs, "one lamp of six is out")
	w.sees(outs, "not what the desk said")
	w.sees(outs, "stand or board touched")
	w.sees(outs, "computed from all readings that stand: move")
	w.sees(".outs dt", "0 stops")
	w.sees("#people-table", "tamsin exemplar")
	w.sees("#people-table", "front camera through 31 dec 2099, proof inv-0003")
	w.sees("#instruments-table", "inv-l1, 4 may 2026")
	w.until(`![...document.querySelectorAll("main")].some(e => e.textContent.includes("second life"))`)
	w.sees("#entries-table", "drove 5 km, nothing lit")
	w.sees("#entries-table .readings-told", "front bumper to board face")
	w.sees("#entries-table", "the board was not touched")
	w.sees("#entries-table", "pitch -0.42 deg")
	w.sees("#entries-table", "signed as technician")
	w.press("#last")
	w.sees("#entries-table", "waiting room, note 60")
	w.sees("#which", "entries 101 to")
	w.until(`!document.querySelector("#entries-table").textContent.includes("Drove 5 km") && document.querySelector("#later").disabled`)
	w.picture("last")
	w.press(".outs a")
	w.until(`document.querySelector("#entries-table tr.here")`)
	w.sees("#which", "entries 1 to 100 of")
	w.until(`(() => {
		dispatchEvent(new Event("beforeprint"));
		const all = document.querySelectorAll("#entries-table tr[id]").length;
		dispatchEvent(new Event("afterprint"));
		return all > 100 && document.querySelectorAll("#entries-table tr[id]").length === 100;
	})()`)
	w.sees("#signer", "+")
	key := run(w, chromedp.Evaluate[string](`document.querySelector("#signer").textContent`))
	require.Equal(t, s.TrailKey(), key)
	w.described(1)
	w.sees("#entries-table .tag", "2 this lamp is out")
	w.readable("record", 4.5) // all of it, seen or not
	for _, at := range []string{"#out", "#entries", ".still", "#prove"} {
		run(w, chromedp.Evaluate[chromedp.Void](`document.querySelector("`+at+`").scrollIntoView()`))
		w.picture(at[1:])
	}
	w.onPhone("record")
	w.desktop()

	require.Greater(t, len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(w.pdf("record"), -1)), 1, "pages")

	// One letter of one entry is changed between the server and the page.
	run(w, chromedp.Evaluate[chromedp.Void](`(() => {
		const real = window.fetch;
		window.fetch = async (address, options) => {
			const answer = await real(address, options);
			if (!String(address).includes("/entries")) return answer;
			return new Response((await answer.text()).replace('"fixture-touched"', '"fixture-moved"'), answer);
		};
	})()`))
	w.press("#recompute")
	w.sees("#chain", "the trail does not hold: calibration entry")
	w.sees("#chain", "do not give its fingerprint")
	w.picture("changed")

	// The desk that guided it reads it, too.
	d := open(t, browser, "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit("/record/" + c.cal.ID.String())
	d.sees("#outcome", "completed, closed")
	d.sees("#chain", "fits the one before it")
	d.until(`!document.querySelector("#rooms").checkVisibility()`)
	d.visit("/records?vin=000017&sensor=front-camera")
	d.sees("#found", "1 record.")
	d.until(`document.querySelector("#vin").value === "000017"`)
}

// desktop goes back to the size of a desk's screen.
func (w *window) desktop() {
	w.t.Helper()
	run(w, chromedp.EmulateViewport(1440, 900))
}

// pdf prints the page as the browser does, and keeps it among the test's artifacts.
func (w *window) pdf(name string) []byte {
	w.t.Helper()
	raw := run(w, chromedp.Action[[]byte](printed))
	require.True(w.t, bytes.HasPrefix(raw, []byte("%PDF")))
	require.NoError(w.t, os.WriteFile(filepath.Join(w.t.ArtifactDir(), name+".pdf"), raw, 0o644))
	return raw
}

// printed has the style sheet say how large the paper is.
func printed(ctx context.Context, t *chromedp.Target) ([]byte, error) {
	sheet := true
	got, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: &sheet})
	return got.Data, err
}
