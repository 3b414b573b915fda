package webui_test

import (
	"archive/zip"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/job"
	"readback/internal/testkit/apptest"
)

// TestEveryEntryIsTold: the record's page has words of its own for every type of entry there is; the bundles of
// testdata/trail/golden are told without a gap, and their chains hold where the browser computes them, until one letter of one
// entry is another. Members of two organisations with one id are told apart.
func TestEveryEntryIsTold(t *testing.T) {
	t.Parallel()
	source, err := os.ReadFile("assets/telling.js")
	require.NoError(t, err)
	for kind, types := range map[string][]string{"calibration": calibration.Entries(), "job": job.Entries()} {
		for _, name := range types {
			require.True(t, strings.Contains(string(source), fmt.Sprintf("case %q:", kind+"/"+name)), "no words for %s/%s", kind, name)
		}
	}
	s := apptest.Start(t)
	w := open(t, browser(t), "reader", s.URL, 1180, 820)
	w.visit("/sign-in")
	for _, name := range []string{"bundle.zip", "radar.zip"} {
		file := filepath.Join(apptest.Root(), "testdata", "trail", "golden", "1", name)
		trails, err := json.Marshal(map[string][]json.RawMessage{"calibrations": entriesOf(t, file, "calibration.trail"), "jobs": entriesOf(t, file, "job.trail")})
		require.NoError(t, err)
		run(w, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(async (trails) => {
			window.got = null;
			const base = document.querySelector("script[type=module]").src.replace(/[^/]*$/, "");
			window.fetch = async (address) => {
				const [, kinds, after] = /v1\/(\w+)\/[^/]+\/entries\?after=(\d+)/.exec(address);
				return Response.json({ entries: trails[kinds].slice(+after, +after + 7), head: trails[kinds].length });
			};
			const { gather, named } = await import(base + "gather.js"), { tell } = await import(base + "telling.js"), { chain } = await import(base + "proving.js");
			const t = await gather(trails.calibrations[0].body.stream.id), stream = trails.calibrations[0].body.stream;
			const told = t.all.map((e) => {
				const x = tell(t, e, false), box = document.createElement("div");
				box.append(...[x.what, ...(x.more ?? [])].flat(Infinity).filter((v) => v !== false && v != null && v !== ""));
				return e.body.stream.kind + "/" + e.body.type + ": " + box.textContent;
			});
			const whole = await chain(stream).take(t.calibration);
			t.calibration[3].body.at = t.calibration[3].body.at.replace("Z", "0Z");
			// Two registers hold the same id: an owner chose it. Everybody is told by the name in their own register all the same.
			const working = t.calibration.find((e) => e.body.by.role === "technician").body.by.member, guiding = t.calibration.find((e) => e.body.by.role === "specialist").body.by.member;
			trails = JSON.parse(JSON.stringify(trails).replaceAll(guiding, working));
			for (const f of Object.values(trails).flat().flatMap((e) => e.body.facts)) if (f.name.startsWith("member/")) f.value.name = "Somebody of " + f.stream.id;
			const both = await gather(stream.id);
			const namesakes = both.calibration.flatMap((e) => (e.body.by.member !== working || named(both, e.body.by) === "Somebody of " + e.body.by.org ? [] : [e.seq + " by " + named(both, e.body.by)]));
			window.got = { told, whole, namesakes, changed: (await chain(stream).take(t.calibration)).seq, missing: (await chain(t.job[0].body.stream).take(t.job.toSpliced(1, 1))).seq };
		})(%s), undefined`, trails)))
		got := run(w, chromedp.Poll[struct {
			Told             []string
			Whole            json.RawMessage
			Changed, Missing int
			Namesakes        []string
		}]("window.got", chromedp.WithPollingTimeout(patience)))
		require.Equal(t, "null", string(got.Whole), name)
		require.Equal(t, 4, got.Changed, name)
		require.Equal(t, 2, got.Missing, name)
		require.Empty(t, got.Namesakes, "%s: under another's name", name)
		for _, text := range got.Told {
			t.Log(text)
			for _, gap := range []string{"undefined", "[object", "NaN", "null", "  "} {
				require.NotContains(t, text, gap)
			}
			_, said, _ := strings.Cut(text, ": ")
			require.NotEmpty(t, said, text)
		}
	}
}

// entriesOf gives the entries of a trail in a bundle as the service sends them.
func entriesOf(t *testing.T, bundle, trail string) (list []json.RawMessage) {
	t.Helper()
	z, err := zip.OpenReader(bundle)
	require.NoError(t, err)
	defer z.Close()
	f, err := z.Open(trail)
	require.NoError(t, err)
	raw, err := io.ReadAll(f)
	require.NoError(t, err)
	for i, line := range strings.Split(strings.TrimSuffix(string(raw), "\n"), "\n") {
		hash, body, _ := strings.Cut(line, " ")
		list = append(list, json.RawMessage(fmt.Sprintf(`{"seq":%d,"hash":%q,"body":%s}`, i+1, hash, body)))
	}
	return list
}
