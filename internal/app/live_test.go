package app_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/wire"
)

// placing is a set-up of the world's front camera that a technician places and a specialist has claimed.
const placing = `{"setup":{"sensor":"front-camera","datum":"front-bumper","datum_height_um":400000,"line":"centreline","distance_um":2000000,
	"height_um":600000,"positions":[{"name":"middle","lateral_um":0}],"tolerance":{"distance_um":6000,"lateral_um":6000}},
	"fixture":"01940000-0000-7000-8000-0000000000f1","dimensions":"01940000-0000-7000-8000-0000000000e1",
	"bay":"01940000-0000-7000-8000-0000000000b1","source":{"title":"Invented service information","dated":"2026-03-01","version":"4"},
	"limits":"stated","measure":[]}`

// readingAt is the distance that is off by so many micrometres.
func readingAt(offUM int) string {
	return fmt.Sprintf(`[{"quantity":"datum-distance","instrument":"01940000-0000-7000-8000-0000000000c1","value_um":%d}]`, 2_000_000+offUM)
}

// offset is the reading that stands beside the live ones.
const offset = `{"moved":true,"readings":[{"quantity":"centre-offset","instrument":"01940000-0000-7000-8000-0000000000c4","value_um":900,"plumbed":true}]}`

// shownLive is a live message, as far as these tests read it.
type shownLive struct {
	Say     string
	Stream  stream.Ref
	N       int
	Seq     uint64
	Gone    bool
	Verdict struct {
		Verdict string
		Moves   []struct {
			Move string
			ByUM int64 `json:"by_um"`
		}
	}
	Here    []json.RawMessage
	Problem struct{ Type string }
}

// hear gives messages until the wanted one, which is the last.
func (p *socket) hear(wanted func(shownLive) bool) shownLive {
	p.t.Helper()
	for {
		p.ws.SetReadDeadline(time.Now().Add(30 * time.Second)) // a test that waits in vain shall say so
		var m shownLive
		require.NoError(p.t, p.ws.ReadJSON(&m))
		if wanted(m) {
			return m
		}
	}
}

// live gives the next live message with that count.
func (p *socket) live(n int) shownLive {
	p.t.Helper()
	return p.hear(func(m shownLive) bool { return m.Say == "live" && m.N == n && !m.Gone })
}

// both waits until the follower sees that two take part.
func (p *socket) both(on *apptest.Stream) {
	p.t.Helper()
	p.hear(func(m shownLive) bool { return m.Say == "presence" && m.Stream == on.Ref && len(m.Here) == 2 })
}

func (p *socket) show(on *apptest.Stream, n int, readings string) {
	p.t.Helper()
	p.say(map[string]any{"say": "reading", "stream": on.Ref, "n": n, "readings": json.RawMessage(readings)})
}

// placed opens a calibration that is being placed, one reading of which stands.
func placed(tech, spec *apptest.Client) *apptest.Stream {
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Do(cal, "issue-sheet", placing)
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)
	tech.Do(cal, "report-readings", offset)
	return cal
}

// TestLiveReadings: a technician on one node nudges four fixtures; the specialist sees the verdicts on another node, with
// the readings that stand in them. Two hundred readings leave nothing in the database. Then the specialist's node stops,
// and they go on where they come back.
func TestLiveReadings(t *testing.T) {
	t.Parallel()
	a := apptest.Start(t)
	b := apptest.Serve(t, a.Config)
	tech, spec := a.As(apptest.Technician), a.As(apptest.Specialist)
	const bays, times = 4, 50
	var cals []*apptest.Stream
	bay, desk := connect(t, a, tech.Token, nil), connect(t, b, spec.Token, nil)
	bay.want("welcome")
	desk.want("welcome")
	for range bays {
		cal := placed(tech, spec)
		cals = append(cals, cal)
		bay.follow(cal.Ref, cal.Seq)
		desk.follow(cal.Ref, cal.Seq)
		bay.both(cal) // each node knows of the other now
		desk.both(cal)
	}

	stored := a.Stored()
	sent := make([]time.Time, times+1)
	var mu sync.Mutex
	var pace sync.WaitGroup
	pace.Go(func() {
		tick := time.NewTicker(100 * time.Millisecond) // as instruments do
		defer tick.Stop()
		for n := 1; n <= times; n++ {
			<-tick.C
			mu.Lock()
			sent[n] = time.Now()
			mu.Unlock()
			for _, cal := range cals {
				bay.show(cal, n, readingAt((times-n)*1000))
			}
		}
	})
	var delays []time.Duration
	last := map[stream.Ref]int{}
	for done := 0; done < bays; {
		m := desk.hear(func(m shownLive) bool { return m.Say == "live" })
		if m.Gone { // the machine was held up for so long
			continue
		}
		mu.Lock()
		delays = append(delays, time.Since(sent[m.N]))
		mu.Unlock()
		require.Greater(t, m.N, last[m.Stream], "in order")
		last[m.Stream] = m.N
		if m.N == times {
			require.Equal(t, "within", m.Verdict.Verdict)
			done++
		} else if off := (times - m.N) * 1000; off >= 10_000 {
			require.Equal(t, "adjust", m.Verdict.Verdict)
			// An outside value, by hand: with one distance and one offset, whoever stands off mm too far goes back by them.
			require.Equal(t, "shift", m.Verdict.Moves[0].Move)
			require.EqualValues(t, off, m.Verdict.Moves[0].ByUM)
		}
	}
	pace.Wait()
	slices.Sort(delays)
	t.Logf("%d of %d live verdicts seen on the other node: median %v, 99th percentile %v", len(delays), bays*times,
		delays[len(delays)/2].Round(time.Millisecond), delays[len(delays)*99/100].Round(time.Millisecond))
	require.Greater(t, len(delays), bays*times/2, "what is dropped is overtaken, and that is the exception")
	require.Equal(t, stored, a.Stored(), "nothing is stored")

	// The specialist's node stops; the browser comes back to the other.
	require.NoError(t, b.Stop())
	require.Equal(t, wire.CloseLeaving, desk.closed())
	again := connect(t, a, spec.Token, nil)
	again.want("welcome")
	again.follow(cals[0].Ref, cals[0].Seq)
	again.hear(func(m shownLive) bool { return m.Say == "caught-up" })
	bay.show(cals[0], 1000, readingAt(20_000))
	require.Equal(t, "adjust", again.live(1000).Verdict.Verdict)
	require.True(t, again.hear(func(m shownLive) bool { return m.Say == "live" }).Gone, "when nothing follows, it is said to be gone")

	// What is captured is what was shown.
	captured := strings.Replace(`{"moved":false,"captured":1000,"readings":R}`, "R", readingAt(20_000), 1)
	tech.Do(cals[0], "report-readings", captured)
	view := apptest.Read[struct {
		State struct {
			Place struct{ Verdict struct{ Verdict string } }
		}
	}](spec, spec.Get(cals[0].Path()))
	require.Equal(t, "adjust", view.State.Place.Verdict.Verdict)
}

// TestLiveReadingsByHTTP: a gateway posts, everybody who takes part sees, and what is wrong is said.
func TestLiveReadingsByHTTP(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	cal := placed(tech, spec)
	desk := connect(t, s, spec.Token, nil)
	desk.want("welcome")
	desk.follow(cal.Ref, cal.Seq)
	desk.hear(func(m shownLive) bool { return m.Say == "caught-up" })

	post := func(who *apptest.Client, n int, readings string) apptest.Answer {
		return who.Post(cal.Path()+"/live", fmt.Sprintf(`{"n":%d,"readings":%s}`, n, readings))
	}
	got := post(tech, 7, readingAt(12_000))
	require.Equal(t, http.StatusOK, got.Status, got.Body)
	value := apptest.Read[shownLive](tech, got)
	require.Equal(t, "adjust", value.Verdict.Verdict)
	seen := desk.live(7)
	require.Equal(t, value.Verdict, seen.Verdict)
	require.Equal(t, cal.Seq, seen.Seq)

	for body, want := range map[string]struct {
		status int
		says   string
	}{
		`{"n":1,"readings":[]}`:                                    {422, "readings"},
		`{"n":1}`:                                                  {422, "readings"},
		`{"readings":` + readingAt(0) + `}`:                        {422, `"n"`},
		`{"n":1,"readings":` + readingAt(0) + `,"x":1}`:            {422, `"x"`},
		`{"n":1,"readings":[{"quantity":"height"}]}`:               {422, "readings[0].instrument"},
		`{"n":1,"readings":[` + strings.Repeat(`{},`, 16) + `{}]}`: {422, "16"},
		`{"n":1,"readings":` + strings.Replace(readingAt(0), "0000000000c1", "0000000000ff", 1) + `}`: {409, "instruments-known"},
	} {
		got := tech.Post(cal.Path()+"/live", body)
		require.Equal(t, want.status, got.Status, "%s: %s", body, got.Body)
		require.Contains(t, got.Body, want.says)
	}
	require.Equal(t, http.StatusForbidden, post(spec, 1, readingAt(0)).Status)

	// Once the claim is over the desk sees no more of it.
	spec.Do(cal, "return", `{"reason":"The shift ends."}`)
	desk.hear(func(m shownLive) bool { return m.Say == "entry" && m.Seq == cal.Seq })
	require.Equal(t, http.StatusOK, post(tech, 8, readingAt(0)).Status)
	desk.say(map[string]any{"say": "beat", "n": 99})
	m := desk.hear(func(m shownLive) bool { return m.Say == "live" && !m.Gone || m.Say == "beat" })
	require.Equal(t, "beat", m.Say)
}
