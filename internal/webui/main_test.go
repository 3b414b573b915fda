package webui_test

import (
	"flag"
	"testing"

	"go.uber.org/goleak"

	"readback/internal/testkit/apptest"
)

// TestMain runs more tests side by side than there are processors: mostly they wait for a page. What -parallel says
// comes later, and counts.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	goleak.VerifyTestMain(browsed{apptest.Wrap(m)})
}
