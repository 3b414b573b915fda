package httpapi_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// alike wants every route that takes the stream's id to answer as it does for an id that is not there, byte for byte.
func alike(t *testing.T, who *apptest.Client, there *apptest.Stream) {
	t.Helper()
	missing := apptest.NewStream(there.Kind)
	opening := map[stream.Kind][2]string{
		stream.Register:    {"open-organisation", `{"name":"X","sort":"shop","phone":""}`},
		stream.Job:         {"open-job", apptest.OpeningJob},
		stream.Calibration: {"open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, stream.NewID())},
	}[there.Kind]
	asks := []struct{ method, path, body string }{
		{"GET", "", ""}, {"GET", "/entries", ""}, {"GET", "/entries?after=1&limit=1", ""}, {"GET", "/bundle", ""},
		{"POST", "/commands", apptest.Body(stream.NewID(), there.Seq, "note", `{"text":"x"}`)},
		{"POST", "/commands", apptest.Body(stream.NewID(), 0, "note", `{"text":"x"}`)},
		{"POST", "/commands", apptest.Body(stream.NewID(), 0, "no-such-command", `{}`)},
		{"POST", "/commands", apptest.Body(stream.NewID(), 0, "note", `{"wrong":1}`)},
	}
	if r := who.Post(apptest.NewStream(there.Kind).Path()+"/commands", apptest.Body(stream.NewID(), 0, opening[0], opening[1])); r.Status != http.StatusOK && r.Status != http.StatusConflict {
		// Who may open one learns that an id is taken, whatever is said; all others must not.
		asks = append(asks, struct{ method, path, body string }{"POST", "/commands", apptest.Body(stream.NewID(), 0, opening[0], opening[1])})
	}
	for _, ask := range asks {
		client := who
		if ask.method == "POST" {
			client = who.With("Content-Type", "application/json")
		}
		got := client.Ask(ask.method, there.Path()+ask.path, ask.body)
		none := client.Ask(ask.method, missing.Path()+ask.path, ask.body)
		require.Equal(t, none.Body, got.Body, "%s %s", ask.method, ask.path)
		require.Equal(t, none.Status, got.Status)
		require.NotEqual(t, http.StatusOK, got.Status, "%s %s: %s", ask.method, ask.path, got.Body)
		for _, h := range []http.Header{got.Header, none.Header} {
			h.Del("Date")
		}
		require.Equal(t, none.Header, got.Header)
	}
}

// TestForeignStreamsDoNotExist compares what belongs to another shop, or is not a desk's to see yet, with what is not
// there.
func TestForeignStreamsDoNotExist(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	prepared := tech.OpenCalibration(job)
	asked := tech.OpenCalibration(job)
	tech.Request(asked)
	shop := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: tech.Access.Org}}

	before := s.Stored()
	for _, login := range []string{apptest.OtherTechnician, apptest.OtherOwner} {
		other := s.As(login)
		for _, there := range []*apptest.Stream{shop, prepared, asked} {
			alike(t, other, there)
		}
		require.JSONEq(t, `{"calibrations":[]}`, other.Get("/v1/calibrations").Body)
		require.JSONEq(t, `{"jobs":[]}`, other.Get("/v1/jobs").Body)
	}
	for _, login := range []string{apptest.Specialist, apptest.DeskOwner} {
		desk := s.As(login)
		alike(t, desk, prepared)
		alike(t, desk, &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: s.Person(apptest.OtherOwner).Org}})
		require.Equal(t, http.StatusOK, desk.Get(asked.Path()).Status, "what waits is for the desk to see")
		require.JSONEq(t, `{"jobs":[]}`, desk.Get("/v1/jobs").Body)
	}
	require.Equal(t, before, s.Stored())

	// A shop may open jobs, so only the other routes are compared, and with one more job of its own.
	alike(t, s.As(apptest.OtherTechnician), job)
	unseen := tech.OpenJob()
	tech.OpenCalibration(unseen)
	for _, login := range []string{apptest.Specialist, apptest.DeskOwner} {
		alike(t, s.As(login), unseen)
	}
	// The wrong kind in the address.
	wrong := &apptest.Stream{Ref: stream.Ref{Kind: stream.Job, ID: prepared.ID}}
	alike(t, tech, wrong)
}

// TestAfterReturn: whoever gave a calibration back, and has no agreement with the shop any more, keeps what was there
// until then and gets nothing of what comes after.
func TestAfterReturn(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, spec := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)
	spec.Do(cal, "return", `{"reason":"Shift ends."}`)
	last := cal.Seq
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "end-agreement", fmt.Sprintf(`{"desk":%q}`, spec.Access.Org))
	tech.Do(cal, "note", `{"text":"Nobody else may read this."}`)
	tech.Do(job, "note", `{"text":"Nor this."}`)

	entries := apptest.Read[page](spec, spec.Get(cal.Path()+"/entries"))
	require.Len(t, entries.Entries, int(last))
	require.Equal(t, last, entries.Head)
	require.Empty(t, apptest.Read[page](spec, spec.Get(fmt.Sprintf("%s/entries?after=%d", cal.Path(), last))).Entries)
	for _, e := range entries.Entries {
		require.Empty(t, e.Opened, "personal values are for those who work with the car")
	}
	view := apptest.Read[struct {
		Seq      uint64
		Relation stream.Relation
	}](spec, spec.Get(cal.Path()))
	require.Equal(t, last, view.Seq)
	require.Equal(t, stream.Ended, view.Relation)
	require.Len(t, apptest.Read[page](spec, spec.Get(job.Path()+"/entries")).Entries, 2)
	require.JSONEq(t, `{"calibrations":[]}`, spec.Get("/v1/calibrations").Body, "rows of lists go on changing")
	require.JSONEq(t, `{"waiting":[]}`, spec.Get("/v1/queue").Body)
	bundle := spec.Get(cal.Path() + "/bundle")
	require.Equal(t, http.StatusOK, bundle.Status)

	before := s.Stored()
	problem(t, spec.Post(cal.Path()+"/commands", apptest.Body(stream.NewID(), cal.Seq, "claim", `{}`)), fault.NotYourRole)
	require.Equal(t, before, s.Stored())
	next := tech.OpenCalibration(job)
	tech.Request(next)
	alike(t, spec, next)
	require.False(t, strings.Contains(spec.Get("/v1/queue").Body, next.ID.String()))
}
