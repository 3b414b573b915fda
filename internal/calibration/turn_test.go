package calibration

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
)

// TestTheClockOfATurn: it runs from when something came to be expected of a side, and whoever waits does not start it anew
// by what they do meanwhile. What time alone brings counts from that moment.
func TestTheClockOfATurn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.open()
	w.request()
	since := func(do string, at time.Time) {
		t.Helper()
		turn := w.state().View(w.now).Turn
		require.Equal(t, do, turn.Do)
		require.Equal(t, at, *turn.Since, "%s: by %v", do, turn.Since.Sub(at))
	}
	asked := w.state().at
	since("claim", asked)
	w.now = w.now.Add(47 * time.Second)
	w.issue()
	since("claim", asked)
	require.Equal(t, asked, *Rules{}.Summary(w.state()).Data.(Row).Turn.Since, "lists tell the same")
	w.claim()
	since("adopt-sheet", w.state().at)
	w.adopt()
	w.fit()
	fitted := w.state().at
	w.now = w.now.Add(9 * time.Second)
	w.do(technician, "note", `{"text":"One moment."}`)
	since("report-readings", fitted)
	n := w.instruct(`{"step":"go-to-position","position":"left"}`)
	since("read-back", w.state().steps[n-1].Since)
	w.do(specialist, "withdraw-step", `{"step":2}`)
	since("report-readings", w.state().at)

	w.held()
	w.do(technician, "bay-clear", `{}`)
	said := w.state().at
	since("go", said)
	w.now = said.Add(WordWindow + 20*time.Second)
	since("bay-clear", said.Add(WordWindow))
	w.do(technician, "note", `{"text":"Where are you?"}`)
	since("bay-clear", said.Add(WordWindow))
	w.now = w.state().place.ReadAt.Add(SetupFresh + time.Minute)
	since("report-closing", w.state().place.ReadAt.Add(SetupFresh))
}

// TestOpenGatesComeBeforeOnesToLetPass: while the desk thinks about the one the bay goes on to the other.
func TestOpenGatesComeBeforeOnesToLetPass(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openBy(shopID)
	w.do(technician, "attach-photo", photoData(1, `{"gate":"space-clear"}`))
	w.answer("space-clear", `"met":true,"evidence":"photographed"`)
	w.answer("tyre-pressure", value("-50", "hPa"))
	w.answer("light-level", value("200", "lx")) // not met
	w.do(technician, "request", `{}`)
	w.claim()
	w.do(specialist, "issue-sheet", fromData())
	w.fit()
	w.answer("battery-voltage", value("12700", "mV")) // met, outside its caution
	w.held()
	require.Equal(t, Turn{Who: stream.Technician, Do: "record-gate", Gate: "temperature-noted"}, w.state().Turn(w.now))
	w.answer("temperature-noted", value("19500", "mC"))
	require.Equal(t, Turn{Who: stream.Specialist, Do: "waive", Gate: "battery-voltage"}, w.state().Turn(w.now))
}
