package webui_test

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// TestInterfacesPageFits looks at the page of the interfaces on a desk and on a telephone: nothing to scroll to sideways.
func TestInterfacesPageFits(t *testing.T) {
	t.Parallel()
	s, b := apptest.Start(t), browser(t)
	for name, width := range map[string]int64{"desk": 1280, "telephone": 390} {
		w := open(t, b, name, s.URL, width, 900)
		run(w, chromedp.Navigate(s.URL+"/docs"))
		for _, at := range []string{"op-signIn", "codes", "schema-calibration-commands-go", "schema-plan"} {
			run(w, chromedp.Evaluate[bool](`(document.getElementById("`+at+`").scrollIntoView(), true)`))
			w.picture(at)
		}
		require.LessOrEqual(t, run(w, chromedp.Evaluate[int64]("document.documentElement.scrollWidth")), width, name)
	}
}
