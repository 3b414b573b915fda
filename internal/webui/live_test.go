package webui_test

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// gateway posts what the rig's instruments read, five times a second, until the test stops it.
type gateway struct {
	stop chan struct{}
	done sync.WaitGroup
}

func (c *scene) gateway() *gateway { return c.sends(c.tech, c.cal.Path()+"/live") }

// sends has somebody post them.
func (c *scene) sends(who *apptest.Client, to string) *gateway {
	c.t.Helper()
	g := &gateway{stop: make(chan struct{})}
	readings := c.measured(nil)
	g.done.Go(func() {
		tick := time.NewTicker(200 * time.Millisecond) // as instruments do
		defer tick.Stop()
		for n := 1; ; n++ {
			got := who.Post(to, fmt.Sprintf(`{"n":%d,"moved":true,"readings":%s}`, n, readings))
			if got.Status != http.StatusOK && got.Status != http.StatusTooManyRequests {
				c.t.Errorf("live readings: %d %s", got.Status, got.Body)
				return
			}
			select {
			case <-tick.C:
			case <-g.stop:
				return
			}
		}
	})
	return g
}

func (g *gateway) end() {
	close(g.stop)
	g.done.Wait()
}

// TestLiveReadingsOnBothScreens: while instruments send, the plan of both screens follows; the technician reports what is
// shown with one press, and when nothing comes any more the plan shows again what stands.
func TestLiveReadingsOnBothScreens(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	c := newScene(t, s)
	c.claimed()
	c.rig = place(0.4, -12, 0.4, 0.02)
	c.report(nil)
	b := open(t, browser(t), "bay", s.URL, 1180, 820)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit(c.bay())
	b.sees("#verdict", "move")
	d := open(t, browser(t), "desk", s.URL, 1440, 900)
	d.signIn(apptest.Specialist, "demo specialist", "/desk")
	d.visit(c.atDesk())
	d.sees("#verdict", "move")
	b.until(`!document.querySelector(".live")`)

	c.rig = place(0.4, -8, 0.4, 0.02)
	live := c.gateway()
	for _, w := range []*window{b, d} {
		w.sees(".live-line", "live: move")
		w.sees(".live-line", "to vehicle left 8.")
		w.until(`document.querySelector(".plan .stands") && document.querySelector(".live").getAttribute("aria-live") === "off"`)
	}
	d.until(`!document.querySelector("#capture")`)
	b.fits("live")
	b.readable("live", 7)
	d.readable("live", 4.5)
	live.end()

	// It is gone two seconds later, and what stands is as it was.
	for _, w := range []*window{b, d} {
		w.until(`!document.querySelector(".live") && document.querySelector(".plan .stands")`)
		w.sees("#verdict", "move")
	}

	c.rig = place(0.4, -0.3, 0.4, 0.02)
	live = c.gateway()
	b.sees(".live-line", "live: within limits")
	d.sees(".live-line", "live: within limits")
	b.press("#capture")
	b.sees("#verdict", "within limits")
	d.sees("#verdict", "within limits")
	live.end()
	got := c.tech.Get(c.cal.Path() + fmt.Sprintf("/entries?after=%d", c.cal.Seq))
	require.Equal(t, http.StatusOK, got.Status)
	require.Equal(t, 1, strings.Count(got.Body, `"captured":`), got.Body)
}
