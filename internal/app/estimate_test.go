package app_test

import (
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// place is the answer to where a request stands, as far as these tests read it.
type place struct {
	Phase   string
	Request *struct {
		Estimate  *estimate
		WaitedS   *int64 `json:"waited_s"`
		RangeHeld *bool  `json:"range_held"`
	}
	Place *struct {
		Position int
		Class    string
	}
	Estimate *estimate
}

type estimate struct {
	Nobody bool
	Why    []struct{ Code, Words string }
	OnDuty int `json:"on_duty"`
	Ahead  int
	HighS  int64 `json:"high_s"`
}

func placeOf(c *apptest.Client, cal *apptest.Stream) place {
	return apptest.Read[place](c, c.Get(cal.Path()+"/place"))
}

// opens opens a calibration of a sensor, in a job of its own.
func opens(tech *apptest.Client, sensor string) *apptest.Stream {
	job, cal := apptest.NewStream(stream.Job), apptest.NewStream(stream.Calibration)
	opening := strings.ReplaceAll(apptest.OpeningJob, "front-camera", sensor)
	if tech.Access.Org.String() != "01940000-0000-7000-8000-0000000000a0" { // the second shop has ids of its own
		opening = strings.ReplaceAll(opening, "-0000000000", "-0000000001")
	}
	tech.Do(job, "open-job", opening)
	tech.Do(cal, "open", fmt.Sprintf(`{"job":%q,"sensor":%q}`, job.ID, sensor))
	return cal
}

// asks answers the gates and asks for guidance with the data.
func asks(t *testing.T, tech *apptest.Client, cal *apptest.Stream, data string) {
	t.Helper()
	gates := apptest.Read[struct {
		State struct{ Gates []struct{ Gate, By string } }
	}](tech, tech.Get(cal.Path()))
	for _, g := range gates.State.Gates {
		if g.By == "request" {
			tech.Do(cal, "record-gate", fmt.Sprintf(`{"gate":%q,"met":true,"evidence":"declared"}`, g.Gate))
		}
	}
	tech.Do(cal, "request", data)
}

// goesOnDuty has a specialist say so.
func goesOnDuty(c *apptest.Client, on bool) {
	desk := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: c.Access.Org}}
	desk.Seq = apptest.Read[struct{ Seq uint64 }](c, c.Get(desk.Path())).Seq
	c.Do(desk, map[bool]string{true: "go-on-duty", false: "go-off-duty"}[on], fmt.Sprintf(`{"member":%q}`, c.Access.Member))
}

// TestEstimateCountsRivals: three requests for the radar and one for the camera wait. On duty is a specialist of the camera
// only, who speaks no language that is on record: what that one cannot take holds nobody up.
func TestEstimateCountsRivals(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, both, camera := s.As(apptest.Technician), s.As(apptest.Specialist), colleague(s)
	for range 3 {
		asks(t, tech, opens(tech, "front-radar"), `{}`)
	}
	first := opens(tech, "front-camera")
	require.Equal(t, "off-duty", placeOf(tech, first).Estimate.Why[0].Code, "what would be, before it is asked for")
	require.Equal(t, "no-competence", placeOf(tech, opens(tech, "lidar")).Estimate.Why[0].Code)
	asks(t, tech, first, `{}`)
	got := placeOf(tech, first)
	require.True(t, got.Estimate.Nobody, "nobody is on duty")
	require.Equal(t, got.Request.Estimate.Why, got.Estimate.Why, "stored with the request as it is told")
	unknown := tech.Post(opens(tech, "front-camera").Path()+"/commands", apptest.Body(stream.NewID(), 1, "request", `{"languages":["cz"]}`))
	require.Equal(t, http.StatusUnprocessableEntity, unknown.Status)
	require.Contains(t, unknown.Body, `"data.languages[0]"`)
	require.Equal(t, 4, got.Place.Position, "the specialist of both, off duty, may take all of them")
	require.Equal(t, "ordinary", got.Place.Class)

	goesOnDuty(camera, true)
	got = placeOf(tech, first)
	require.True(t, got.Request.Estimate.Nobody, "what was said when it was asked for stays")
	require.Equal(t, estimate{OnDuty: 1, HighS: got.Estimate.HighS}, *got.Estimate, "none of the radar's is ahead of it for those on duty")
	require.Positive(t, got.Estimate.HighS)

	for name, c := range map[string]struct {
		data   string
		ahead  int
		nobody bool
	}{
		"no promise":             {`{}`, 1, false},
		"promised soon":          {fmt.Sprintf(`{"promised":%q}`, time.Now().UTC().Add(70*time.Minute).Format(time.RFC3339)), 0, false},
		"promised for next week": {fmt.Sprintf(`{"promised":%q}`, time.Now().UTC().AddDate(0, 0, 7).Format(time.RFC3339)), 1, false},
		"a language nobody has":  {`{"languages":["fr"]}`, 0, true},
	} {
		cal := opens(tech, "front-camera")
		asks(t, tech, cal, c.data)
		said := placeOf(tech, cal).Request.Estimate
		require.Equal(t, c.nobody, said.Nobody, name)
		if c.nobody {
			require.Equal(t, "language", said.Why[0].Code)
			require.Equal(t, "No specialist of the desk for front-camera speaks fr; no language of theirs is on record.", said.Why[0].Words)
		} else {
			require.Equal(t, c.ahead, said.Ahead, name)
		}
		// Out of the way of the next.
		tech.Do(cal, "declare", `{"outcome":"withdrawn","reason":"The customer takes the car home."}`)
	}

	goesOnDuty(both, true)
	require.Equal(t, 3, placeOf(tech, first).Estimate.Ahead, "now the radar's compete with it")
	camera.Do(first, "claim", `{}`)
	got = placeOf(tech, first)
	require.Equal(t, "guided", got.Phase)
	require.Nil(t, got.Place)
	require.Nil(t, got.Estimate)
	require.NotNil(t, got.Request.WaitedS, "what then happened")
	require.Nil(t, got.Request.RangeHeld, "no range was stated")
}

// TestEachIsToldOfItsOwn: a shop with two desks is told of both, each desk of itself alone, and of no other shop's requests but
// how many of its own queue go first.
func TestEachIsToldOfItsOwn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	raw, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "import", "desk.json"))
	require.NoError(t, err)
	second := strings.NewReplacer("-0000000000d", "-0000000002d", "desk.example", "quay.example", "Demo Desk", "Quay Desk").Replace(string(raw))
	_, err = app.Init(t.Context(), s.Config, slog.New(slog.DiscardHandler), []app.Document{{File: "second desk", Raw: []byte(second)}})
	require.NoError(t, err)
	here, there := s.As(apptest.Specialist), s.As("ines@quay.example")
	agree := func(owner string, desk *apptest.Client) {
		s.As(owner).Do(s.As(owner).Register(), "make-agreement", fmt.Sprintf(`{"desk":%q}`, desk.Access.Org))
	}
	agree(apptest.ShopOwner, there)
	agree(apptest.OtherOwner, here)
	tech, other := s.As(apptest.Technician), s.As(apptest.OtherTechnician)
	for range 2 {
		asks(t, other, opens(other, "front-camera"), `{}`) // of the first desk only
	}
	mine := opens(tech, "front-camera")
	asks(t, tech, mine, `{}`)
	goesOnDuty(here, true)
	goesOnDuty(there, true)
	for name, c := range map[string]struct {
		who                     *apptest.Client
		position, onDuty, ahead int
	}{
		"the shop":        {tech, 3, 2, 2},
		"the first desk":  {here, 3, 1, 2},
		"the second desk": {there, 1, 1, 0},
	} {
		got := placeOf(c.who, mine)
		require.Equal(t, c.position, got.Place.Position, name)
		require.Equal(t, c.onDuty, got.Estimate.OnDuty, name)
		require.Equal(t, c.ahead, got.Estimate.Ahead, name)
	}
	goesOnDuty(there, false)
	require.Equal(t, "off-duty", placeOf(there, mine).Estimate.Why[0].Code, "whoever else is on duty")
	require.False(t, placeOf(tech, mine).Estimate.Nobody)
}

// TestRecord: a desk sees how often the stated range held.
func TestRecord(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, specialist := s.As(apptest.Technician), s.As(apptest.Specialist)
	type figures struct {
		Days, Claimed, Nobody, Stated, Held, Sooner, Later int

		HeldShare *float64 `json:"held_share"`
		MedianS   *int64   `json:"median_wait_s"`
	}
	look := func() figures { return apptest.Read[figures](specialist, specialist.Get("/v1/queue/record")) }
	require.Equal(t, figures{Days: 30}, look())

	// One when nobody was on duty; then three within their range; one of them more than a month ago, and one that waited longer.
	var cals []*apptest.Stream
	for i := range 5 {
		if i == 1 {
			goesOnDuty(specialist, true)
		}
		cal := opens(tech, "front-camera")
		asks(t, tech, cal, `{}`)
		if i < 4 {
			specialist.Do(cal, "claim", `{}`)
		}
		cals = append(cals, cal)
	}
	sql := s.SQL()
	// Time cannot be waited for: the rows, which the figures are read from, are set as if it had passed.
	_, err := sql.Exec(t.Context(), `update readback.head set summary = jsonb_set(summary, '{queue,claimed}', '"2026-01-01T00:00:00Z"') where stream = $1`, cals[1].ID.String())
	require.NoError(t, err)
	_, err = sql.Exec(t.Context(), `update readback.head set summary = jsonb_set(summary, '{queue,waited_s}', '100000') where stream = $1`, cals[2].ID.String())
	require.NoError(t, err)
	got := look()
	require.Equal(t, 3, got.Claimed)
	require.Equal(t, 1, got.Nobody)
	require.Equal(t, 2, got.Stated)
	require.Equal(t, 1, got.Later)
	require.Equal(t, 1, got.Held+got.Sooner)
	require.InDelta(t, float64(got.Held)/2, *got.HeldShare, 0)
	require.LessOrEqual(t, *got.MedianS, int64(60), "of two short ones and a long one; a machine that is a minute slow")
}
