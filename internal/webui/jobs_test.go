package webui_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestAJobInAnyOrder opens one with a plate and says the rest later: a pasted scan with a line that nobody understands, an
// aligner's file, a correction; then what the scan after the work says against the one before; at last it is withdrawn.
func TestAJobInAnyOrder(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	b := open(t, browser(t), "job", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.press("#new-job button[type=submit]")
	b.sees("#fault-plate", "one of them")
	b.fill("#vin", "ZZZDEM0A4-CRO 00017") // a letter O, and as it is printed in groups
	b.press("#new-job button[type=submit]")
	b.sees(".field:has(#vin)", "spaces and hyphens were left out")
	b.sees("#fault-vin", "is 'o', look for 0")
	b.until(`document.activeElement.id === "vin" && document.querySelector("#vin").value === "ZZZDEM0A4CRO00017" && !document.querySelector("#fault-plate")`)
	b.fill("#vin", "\b")
	b.fill("#plate", "DEMO 9")
	b.readable("list", 7)
	b.onPhone("list")
	b.press("#new-job button[type=submit]")
	b.sees("#job-name", "demo 9")
	b.sees("#missing", "vin, mileage")
	b.readable("job", 4.5)
	b.onPhone("job")
	named := func(of string) []string { return run(b, chromedp.Evaluate[[]string](of)) }
	require.ElementsMatch(t, enum(t, "shapes.json", "$defs", "sensor"), named(`[...document.querySelectorAll("[id^=sensor-]")].map(e => e.id.slice(7))`))
	require.ElementsMatch(t, enum(t, "job-commands.json", "$defs", "describe-work", "properties", "causes", "items"), named(`[...document.querySelectorAll("[name=causes]")].map(e => e.value)`))

	// What is wrong stands beneath its field, in the words and units of the form, in sight and with the focus.
	wrong := func(press, field, text string) {
		b.press(press)
		b.sees("#fault-"+field, text)
		b.until(fmt.Sprintf(`document.activeElement.id === %q && document.activeElement.getAttribute("aria-describedby") === %q`, field, "fault-"+field))
		b.until(fmt.Sprintf(`(r => r.top >= 0 && r.bottom <= innerHeight)(document.querySelector(%q).getBoundingClientRect())`, "#fault-"+field))
	}
	b.fill("#mileage", "48 thousand")
	wrong("#car .primary", "mileage", "whole kilometres")
	b.fill("#mileage", "\b")
	b.fill("#toe-left", "0.20")
	b.fill("#toe-right", "12")
	wrong("#attach-typed", "toe-right", "from −5° to 5°.")
	b.picture("toe")
	b.fill("#toe-right", "much")
	wrong("#attach-typed", "toe-right", "degrees, such as 0.20")

	// The bytes are the example of docs/job.md; the third line is none of the forms.
	b.sees("#codes + *", "add a code")
	run(b, chromedp.Evaluate[chromedp.Void](`document.querySelector("#paste").value = "59 02 7F 0A 9B 17 24 08 05 11 2F\nP0143\nfront camera unit"`))
	b.press("#scan .primary")
	b.sees("#fault-paste", "has not been read")
	b.press("#read-codes")
	b.sees("#read", "3 codes read")
	b.sees("#not-read", "1 line was not understood")
	b.sees("#not-read", "line 3: front camera unit")
	b.readable("pasted", 4.5)
	b.onPhone("pasted")
	b.press("#blocks-2")
	b.press("#scan .primary")
	b.sees("#scan", "before the work, 3 codes, 1 hold the routine back")
	b.press("#scan-after")
	b.press("#scan .primary")
	b.sees("#scan-problem", "or say that the scan found none")
	b.press("#no-codes")
	b.press("#add-code")
	b.fill("#code-1", "P0143")
	b.press("#scan .primary")
	b.sees("#scan-problem", "which is right?")
	b.press("#no-codes")
	b.fill("#status-1", "zz")
	b.press("#scan .primary")
	b.sees("#fault-status-1", "two hexadecimal digits")
	b.fill("#status-1", "24")
	b.press("#add-code")
	b.fill("#code-2", "U0140")
	b.press("#scan .primary")
	b.sees("#codes-new", "new: 1 u0140")
	b.sees("#codes-still", "still there: 1 p0143")
	b.sees("#codes-gone", "gone: 2")

	text, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "alignment", "minutes.csv"))
	require.NoError(t, err)
	run(b, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#alignment-text").value = %q`, "wheel;toe\n")))
	b.press("#read-alignment")
	b.sees("#alignment .problem", "toe")
	run(b, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector("#alignment-text").value = %q`, string(text))))
	b.press("#read-alignment")
	b.sees("#found", "thrust line 0.15° to vehicle right")
	b.readable("alignment", 4.5)
	b.press("#attach-before")
	b.sees("#alignment", "before:")

	b.fill("#mileage", "48210")
	b.press("#car button[type=submit]")
	b.until(`!document.querySelector("#missing").textContent.includes("mileage")`)
	b.fill("#mileage", "48212")
	b.press("#car button[type=submit]")
	b.press("#changes summary")
	b.sees("#changes", "mileage was 48210")
	b.press("#withdraw-box summary")
	b.fill("#withdraw-reason", "The keys were of the car beside it.")
	b.choose("#withdraw-cause", "wrong-car")
	b.hold("#withdraw", `document.querySelector("#withdrawn")`)
	b.sees("#withdrawn", "wrong car")
	b.picture("withdrawn")
}

// enum gives the values that the published schema has at a place.
func enum(t *testing.T, file string, path ...string) (values []string) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(apptest.Root(), "api", "schema", file))
	require.NoError(t, err)
	for _, name := range path {
		var at map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(raw, &at))
		raw = at[name]
	}
	var at struct{ Enum []string }
	require.NoError(t, json.Unmarshal(raw, &at))
	require.NotEmpty(t, at.Enum)
	return at.Enum
}

// TestTwoVINs: the car gives another VIN than the one typed. Both are shown in the list, on the job's page and in the bay; the
// technician says which is right, and why.
func TestTwoVINs(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	other := apptest.NewStream(stream.Job)
	c.tech.Do(other, "open-job", `{"vin":"ZZZDEM0A4CR000017"}`)
	browser := browser(t)
	b := open(t, browser, "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#gates-title", "car and bay")
	c.tech.Do(c.job, "announce-vehicle", `{"vin":"ZZZDEM0A4CR000071"}`)
	b.sees("#instruction", "two vins")
	b.sees("#turn", "your turn: settle which vin is right")
	b.sees("#vin-typed", "zzzdem0a4cr000017")
	b.sees("#vin-announced", "zzzdem0a4cr000071")
	b.readable("vins", 7)
	b.onPhone("vins")

	p := open(t, browser, "page", s.URL, 1180, 820)
	p.signIn(apptest.Technician, "demo technician", "/bay")
	p.sees("#job-"+c.job.ID.String(), "two vins")
	c.tech.Do(other, "announce-vehicle", `{"vin":"ZZZDEM0A4CR000017"}`)
	p.visit("/bay/jobs/" + other.ID.String())
	p.sees("#announced", "the same as the job")
	p.visit("/bay/jobs/" + c.job.ID.String())
	p.sees("#vins", "is this the right car?")
	p.readable("vins", 4.5)
	p.hold("#right-typed", `document.querySelector("#fault-vin-reason")`)
	p.sees("#fault-vin-reason", "say how you know")
	p.until(`document.activeElement.id === "vin-reason"`)
	// What came in between is said beside the keys that were held, and what was typed stays.
	p.fill("#vin-reason", "Read from the windscreen.")
	run(p, chromedp.Evaluate[chromedp.Void](`(() => {
		const real = fetch;
		window.fetch = (at, ...more) => String(at).endsWith("/commands") ? (window.fetch = real, Promise.resolve(Response.json({ type: "/problems/stale", title: "Stale" }, { status: 409 }))) : real(at, ...more);
	})()`))
	p.hold("#right-typed", `document.querySelector("#vins .rest").textContent`)
	p.sees("#vins .rest", "something came in between")
	p.until(`(r => r.top >= 0 && r.bottom <= innerHeight)(document.querySelector("#vins .rest").getBoundingClientRect()) && document.querySelector("#vin-reason").value === "Read from the windscreen."`)
	p.picture("refused")
	p.onPhone("refused")
	p.fill("#vin-reason", "Read from the windscreen; the lead was in the car beside it.")
	p.hold("#right-typed", `!document.querySelector("#vins")`)
	p.sees("#announced", "settled: the typed one is right")
	b.sees("#gates-title", "car and bay")
}

// TestAJobWithdrawnUnderTheDesk: a job is withdrawn while a desk guides one of its calibrations and another waits. The one
// leaves the queue; the specialist is told of the other, with the next step, and declares it.
func TestAJobWithdrawnUnderTheDesk(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	waits := c.tech.OpenCalibration(c.job)
	c.tech.Request(waits)
	c.claimed()
	d := open(t, browser(t), "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees("#waits-"+waits.ID.String(), "ordinary")
	d.sees(".answers-box", "take readings")
	c.tech.Do(c.job, "withdraw-job", `{"cause":"car-left","reason":"The customer fetched it."}`)
	d.sees(".next-title", "the job was withdrawn")
	d.sees("#strips", "declare it withdrawn, as the job is")
	d.until(`!document.querySelector("#waits-` + waits.ID.String() + `")`)
	d.readable("job-withdrawn", 4.5)
	d.press("#next")
	d.sees("#desk-form", "outcome")
	d.fill("#reason", "The shop withdrew the job.")
	d.picture("declaring")
	d.press("#send-form")
	d.sees("main", "sign")
	var state struct{ Result struct{ Outcome string } }
	c.state(&state)
	require.Equal(t, "withdrawn", state.Result.Outcome)
}

// TestADesksProcedure: the shop begins a calibration by a procedure that its desk has written, and sees its gates.
func TestADesksProcedure(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	owner, tech := s.As(apptest.DeskOwner), s.As(apptest.Technician)
	desk := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	desk.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(desk.Path())).Seq
	id := stream.NewID()
	owner.Do(desk, "add-procedure", fmt.Sprintf(`{"id":%q,"procedure":{"format":"readback-procedure/1","title":"On the road (invented)","sensor":"front-camera",
		"source":{"title":"Invented service information","dated":"2026-03-01","version":"7"},
		"gates":[{"gate":"tyres-set","asks":"The tyres are at the pressure on the door's plate.","grade":"required","by":"request","evidence":"declared"}],
		"drive":{"windows":[{"window":"main-road","speed_kmh":{"lower":60,"upper":100},"minutes":{"lower":10}}],"conditions":[{"condition":"dry","asks":"It does not rain."}]}}}`, id))
	job := tech.OpenJob()
	b := open(t, browser(t), "job", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit("/bay/jobs/" + job.ID.String())
	b.sees("#method-front-camera", "three positions")
	b.sees("#method-front-camera", "on the road (invented), version 1, of demo desk")
	b.choose("#method-front-camera", desk.ID.String()+"/"+id.String())
	b.onPhone("desks-procedure")
	b.press("#begin-front-camera")
	b.sees("#gate-tyres-set", "the door's plate")
	b.sees("main", "invented service information, 2026-03-01, version 7")
}
