package webui_test

import (
	"fmt"
	"io"
	"maps"
	"math/big"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/testkit/apptest"
)

// wire carries connections to a server until it is cut; then it takes none until it is mended.
type wire struct {
	listener net.Listener
	to       string

	mu    sync.Mutex
	cut   bool
	deaf  bool // new connections are taken, and nothing of them is carried
	conns map[net.Conn]bool
	dead  map[net.Conn]bool // nothing of these arrives any more, and nobody is told
	all   sync.WaitGroup
}

func newWire(t *testing.T, url string) *wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	w := &wire{listener: l, to: strings.TrimPrefix(url, "http://"), conns: map[net.Conn]bool{}, dead: map[net.Conn]bool{}}
	w.all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			w.all.Go(func() { w.carry(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		w.set(true)
		w.all.Wait()
	})
	return w
}

func (w *wire) url() string { return "http://" + w.listener.Addr().String() }

// set cuts the wire, with everything that it carries, or mends it.
func (w *wire) set(cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = cut
	for c := range w.conns {
		if cut {
			c.Close()
		}
	}
}

// kill lets what is carried now go nowhere, as a line does that is dead though nothing failed. New connections are carried.
func (w *wire) kill() {
	w.mu.Lock()
	defer w.mu.Unlock()
	maps.Copy(w.dead, w.conns)
}

// hush lets new connections go nowhere, with what is carried now ended; or ends these, and carries again.
func (w *wire) hush(deaf bool) {
	w.mu.Lock()
	w.deaf = deaf
	w.mu.Unlock()
	w.set(true)
	w.set(false)
}

// end is one end of a connection, to write to.
type end struct {
	net.Conn
	of *wire
}

func (e end) Write(b []byte) (int, error) {
	e.of.mu.Lock()
	dead := e.of.dead[e.Conn]
	e.of.mu.Unlock()
	if dead {
		return len(b), nil
	}
	return e.Conn.Write(b)
}

func (w *wire) carry(in net.Conn) {
	defer in.Close()
	w.mu.Lock()
	deaf := w.deaf
	if deaf {
		w.conns[in] = true
	}
	w.mu.Unlock()
	if deaf {
		io.Copy(io.Discard, in)
		w.mu.Lock()
		delete(w.conns, in)
		w.mu.Unlock()
		return
	}
	out, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer out.Close()
	w.mu.Lock()
	cut := w.cut
	w.conns[in], w.conns[out] = true, true
	w.mu.Unlock()
	if cut {
		return
	}
	var there sync.WaitGroup
	there.Go(func() { io.Copy(end{out, w}, in); out.Close() })
	io.Copy(end{in, w}, out)
	in.Close()
	there.Wait()
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.conns, in)
	delete(w.conns, out)
}

// TestNothingIsLostWithoutALink: what is pressed while the line is gone is kept, shown as kept, and made one entry when the
// line is back, in the order in which it was pressed. Of Stop it is said until then that it is not there.
func TestNothingIsLostWithoutALink(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	line := newWire(t, s.URL)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	b := open(t, browser(t), "bay", line.url(), 1194, 834)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.press(fmt.Sprintf(`a[href="/bay/%s"]`, cal.ID))
	b.sees("#link", "linked")
	b.sees("#gates-title", "car and bay")

	line.set(true)
	b.sees("#link", "no link")
	b.press("#yes-floor-surveyed")
	b.press("#no-space-clear")
	b.sees("#link", "kept here: 2")
	b.picture("no-link")
	require.Equal(t, uint64(1), entries(tech, cal))

	line.set(false)
	b.sees("#link", "linked")
	b.sees("#gate-floor-surveyed.met", "met")
	b.sees("#gate-space-clear.not", "not met")
	require.Equal(t, uint64(3), entries(tech, cal))
	b.until(`sessionStorage.getItem("readback.outbox") === "[]"`)

	// Stop is kept as well, and said not to be there yet for as long as it is not.
	line.set(true)
	b.press("#stop")
	b.sees("#notice", "stop has not reached the desk yet. telephone the desk: +00 555 0199.")
	b.picture("stop-kept")
	line.set(false)
	b.sees("#instruction", "stopped")
	b.until(`document.querySelector("#notice").textContent === ""`)
	require.Equal(t, uint64(4), entries(tech, cal))
}

// TestADeadLineIsFoundByACommand: nothing failed, and nothing arrives. Two and a half beats would be 37 s, longer than a page may
// take here; a command that is not answered in five seconds is said again over another connection, once.
func TestADeadLineIsFoundByACommand(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	line := newWire(t, s.URL)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	b := open(t, browser(t), "bay", line.url(), 1194, 834)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	b.visit("/bay/" + cal.ID.String())
	b.sees("#link", "linked")
	b.sees("#gates-title", "car and bay")
	line.kill()
	b.press("#yes-floor-surveyed")
	b.until(`sessionStorage.getItem("readback.outbox") === "[]"`)
	require.Equal(t, uint64(2), entries(tech, cal))
}

// TestNobodyWaitsOnADeadLine: where connections are taken and nothing comes of them, a socket, a form and a photo are each given
// up in their time, with words that say what to do. The page's time stands still here: the test says when it is over.
func TestNobodyWaitsOnADeadLine(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	line := newWire(t, s.URL)
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	b := open(t, browser(t), "bay", line.url(), 1194, 834)
	b.signIn(apptest.Technician, "demo technician", "/bay")
	timeless := func() {
		run(b, chromedp.Evaluate[chromedp.Void](`(() => {
			const real = setTimeout;
			window.over = {}; // what happens when so many milliseconds are over
			window.setTimeout = (f, ms, ...more) => ms === 8000 ? (over[ms] = f, 0) : real(f, ms, ...more);
			AbortSignal.timeout = (ms) => {
				const c = new AbortController();
				over[ms] = () => c.abort(new DOMException("over", "TimeoutError"));
				return c.signal;
			};
		})()`))
	}
	after := func(ms int) {
		b.until(fmt.Sprintf(`window.over[%d]`, ms))
		run(b, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`void window.over[%d]()`, ms)))
	}

	b.visit("/bay/jobs/" + job.ID.String())
	b.sees("#missing", "all that is asked for is said")
	timeless()
	line.hush(true)
	b.fill("#mileage", "48212")
	b.press("#car button[type=submit]")
	after(30_000)
	b.sees("#car .problem", "there is no link to the server. try again")
	b.picture("form")
	line.hush(false)
	b.press("#car button[type=submit]")
	b.sees("#changes", "corrected or added since: 1")

	b.visit("/bay/" + cal.ID.String())
	b.sees("#link", "linked")
	b.press("#more")
	b.press("#part-photos")
	b.sees("#photos-title", "photos")
	timeless()
	line.hush(true)
	b.upload("#take-photo", "floor.jpg", apptest.Picture())
	after(60_000)
	b.sees("#photo-problem", "did not get through. choose it again")
	after(8000)
	b.sees("#link", "no link, kept here. check the network here")
	b.picture("socket")
	b.onPhone("socket")
	line.hush(false)
	b.sees("#link", "linked")
	b.upload("#take-photo", "floor.jpg", apptest.Picture())
	b.sees("#photo-said", "how it is kept")
}

func entries(c *apptest.Client, s *apptest.Stream) uint64 {
	return apptest.Read[struct{ Seq uint64 }](c, c.Get(s.Path())).Seq
}

// TestNumbersAreWrittenExactly compares the pages' numbers with package math/big, which rounds halves away from zero too.
func TestNumbersAreWrittenExactly(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	w := open(t, browser(t), "numbers", s.URL, 1280, 800)
	run(w, chromedp.Navigate(s.URL+"/sign-in"))
	module := run(w, chromedp.Evaluate[string](`document.querySelector("script[type=module]").src.replace("signin.js", "format.js")`))
	random := rand.New(rand.NewPCG(7, 7))
	values := []int64{0, 49, 50, 51, -49, -50, 99_949, 99_950, 620_000, -620_050, 1<<53 - 1, -(1<<53 - 1)}
	for range 300 {
		values = append(values, random.Int64N(60_000_000)-30_000_000)
	}
	var list []string
	for _, v := range values {
		list = append(list, fmt.Sprint(v))
	}
	got := run(w, chromedp.Evaluate[[][]string](fmt.Sprintf(
		`import(%q).then((f) => [%s].map((n) => [f.mm(n), f.deg(n), f.inch(n), String(f.parseMM(f.decimal(n, 3, 3))), f.clock(Math.abs(n) %% 3600000)]))`,
		module, strings.Join(list, ",")), chromedp.EvalAwaitPromise))
	for i, v := range values {
		require.Equal(t, written(v, 1000, 1), got[i][0], v)
		require.Equal(t, written(v, 1_000_000, 2), got[i][1], v)
		require.Equal(t, written(v, 25_400, 3), got[i][2], v) // 25.4 mm to the inch: the international yard and pound agreement of 1959
		if v > -1e9 && v < 1e9 {                              // as many digits as anybody types
			require.Equal(t, fmt.Sprint(v), got[i][3], v)
		}
		ms := max(v, -v) % 3600000
		require.Equal(t, fmt.Sprintf("%d:%02d", ms/60000, ms/1000%60), got[i][4])
	}
	// A minute and twenty seconds after an instruction; its read-back is late after a minute.
	require.Equal(t, []string{"asked 1:20 ago, late", "asked 0:59 ago", "1:20"}, run(w, chromedp.Evaluate[[]string](fmt.Sprintf(
		`import(%q).then(({ waited }) => {
			const turn = { do: "read-back", since: "2026-11-25T10:00:00.000Z", late_at: "2026-11-25T10:01:00.000Z" }, at = Date.parse(turn.since);
			return [waited(turn, at + 80_000, 0).text, waited(turn, at + 59_900, 0).text, waited({ do: "lock" }, at + 80_000, at).text];
		})`, strings.Replace(module, "format.js", "words.js", 1)), chromedp.EvalAwaitPromise)))
	require.Equal(t, "", run(w, chromedp.Evaluate[string](fmt.Sprintf(
		`import(%q).then((f) => ["", "1.2.3", "12a", "0.0001", "--1", "1e3", "1234567"].filter((x) => f.parseMM(x) !== null).join())`, module),
		chromedp.EvalAwaitPromise)))
}

// written is v/unit to the decimals, with the sign that the pages use.
func written(v, unit int64, decimals int) string {
	text := big.NewRat(v, unit).FloatString(decimals)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return strings.Replace(text, "-", "\u2212", 1)
}
