package webui_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/pgtest"
)

// chromium is the one browser of the package's tests, started by the first that asks. Windows share no cookies, storage or
// cache, so a test needs no browser of its own.
var chromium struct {
	sync.Mutex
	ctx  context.Context
	stop func() error
}

// starts is how often Chromium may fail to come up: on a crowded machine it dies at its start now and then, which says
// nothing about the screens. One that dies later fails the test it served.
const starts = 3

// browser gives the package's browser. It never skips: a screen that nobody has seen work does not work.
func browser(t *testing.T) context.Context {
	t.Helper()
	chromium.Lock()
	defer chromium.Unlock()
	if chromium.ctx != nil && chromium.ctx.Err() == nil {
		return chromium.ctx
	}
	if chromium.stop != nil {
		_ = chromium.stop() // it died, and the test it served failed: only what is left of it is cleared away
		chromium.ctx, chromium.stop = nil, nil
	}
	exe := chromiumPath()
	require.NotEmpty(t, exe, "there is no Chromium here; install it with: sh deploy/ensure-chromium.sh")
	for n := 1; ; n++ {
		err := startChromium(exe)
		if err == nil {
			return chromium.ctx
		}
		require.Less(t, n, starts, "%v", err)
		t.Logf("start of Chromium, %d of %d: %v", n, starts, err)
	}
}

func chromiumPath() string {
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

func startChromium(exe string) error {
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(exe))
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	alloc, release := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(alloc)
	if err := chromedp.Do(ctx); err != nil {
		cancel()
		release()
		return err
	}
	chromium.ctx = ctx
	chromium.stop = func() error {
		err := chromedp.Cancel(ctx) // waits for the browser to end
		cancel()
		release()
		return err
	}
	return nil
}

// browsed runs tests and ends the browser they used.
type browsed struct{ tests pgtest.Runner }

func (b browsed) Run() int {
	status := b.tests.Run()
	if chromium.stop == nil {
		return status
	}
	if err := chromium.stop(); err != nil {
		fmt.Fprintln(os.Stderr, "webui: end Chromium:", err)
		return max(status, 1)
	}
	return status
}
