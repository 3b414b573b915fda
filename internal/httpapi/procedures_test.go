package httpapi_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/api/client"
	"readback/internal/procedure"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// drivenMethod is a drive alone, so that it needs no members to answer for limits.
const drivenMethod = `{"format":"readback-procedure/1","title":%q,"sensor":%q,
	"source":{"title":"Invented service information","dated":"2026-03-01","version":"1"},
	"gates":[{"gate":"tyres-set","asks":"The tyres are at their pressure.","grade":"required","by":"request","evidence":"declared"}],
	"drive":{"windows":[{"window":"main-road","speed_kmh":{"lower":60,"upper":100},"minutes":{"lower":%d}}],
		"conditions":[{"condition":"dry","asks":"It does not rain."}]}}`

// TestProcedures: a shop finds what its desk has written, reads it and opens a calibration with it, as long as the agreement
// stands and the procedure is in use; and then no longer.
func TestProcedures(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, deskOwner := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.DeskOwner)
	book := func(c *apptest.Client) *apptest.Stream {
		b := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: c.Access.Org}}
		b.Seq = apptest.Read[struct{ Seq uint64 }](c, c.Get(b.Path())).Seq
		return b
	}
	shop, desk := book(owner), book(deskOwner)
	road, radar := stream.NewID(), stream.NewID()
	deskOwner.Do(desk, "add-procedure", fmt.Sprintf(`{"id":%q,"procedure":`+drivenMethod+`}`, radar, "Radar, on the road (invented)", "front-radar", 10))
	deskOwner.Do(desk, "add-procedure", fmt.Sprintf(`{"id":%q,"procedure":`+drivenMethod+`}`, road, "Camera, on the road (invented)", "front-camera", 10))
	deskOwner.Do(desk, "revise-procedure", fmt.Sprintf(`{"id":%q,"procedure":`+drivenMethod+`}`, road, "Camera, on the road (invented)", "front-camera", 15))

	c, err := client.New(client.Config{URL: s.URL, Name: "test/1"})
	require.NoError(t, err)
	defer c.Close()
	c.Use(tech.Token)
	titles := func(sensor string) (list []string) {
		t.Helper()
		got, err := c.Procedures(t.Context(), sensor)
		require.NoError(t, err)
		for _, p := range got {
			require.Empty(t, p.Document, "the list goes without")
			list = append(list, p.Organisation+": "+p.Title)
		}
		return list
	}
	const own, theirs = "Demo Workshop North (invented): Front camera, three positions (invented)", "Demo Desk (invented): "
	require.Equal(t, []string{own, theirs + "Camera, on the road (invented)", theirs + "Radar, on the road (invented)"}, titles(""))
	require.Equal(t, []string{own, theirs + "Camera, on the road (invented)"}, titles("front-camera"))
	require.Empty(t, titles("lidar"))
	_, err = c.Procedures(t.Context(), "third-eye")
	require.True(t, client.IsProblem(err, "invalid-input"), "%v", err)

	got, err := c.Procedure(t.Context(), desk.ID.String(), road.String())
	require.NoError(t, err)
	require.Equal(t, 2, got.Version, "the newest")
	require.True(t, got.Drive)
	require.Empty(t, got.SetUps)
	require.Equal(t, procedure.Digest(got.Document), got.Digest, "of what is shown")
	read, err := procedure.DecodeWhole(got.Document, "")
	require.NoError(t, err)
	require.Equal(t, int64(15), *read.Drive.Windows[0].Minutes.Lower)
	mine, err := c.Procedure(t.Context(), shop.ID.String(), "01940000-0000-7000-8000-0000000000f7")
	require.NoError(t, err)
	require.Equal(t, []string{"board ahead"}, mine.SetUps)
	require.Equal(t, http.StatusOK, tech.Get("/v1/procedures/01940000-0000-7000-8000-0000000000f7").Status, "one's own unless it is said whose")
	require.Equal(t, http.StatusNotFound, tech.Get("/v1/procedures/"+road.String()).Status)

	opens := func(job *apptest.Stream) (*apptest.Stream, apptest.Answer) {
		cal := apptest.NewStream(stream.Calibration)
		return cal, tech.Post(cal.Path()+"/commands", apptest.Body(stream.NewID(), 0, "open", fmt.Sprintf(
			`{"job":%q,"sensor":"front-camera","procedure":{"register":%q,"id":%q}}`, job.ID, desk.ID, road)))
	}
	job := tech.OpenJob()
	cal, answer := opens(job)
	require.Equal(t, http.StatusOK, answer.Status, "what is listed can be opened: %s", answer.Body)

	gone := func() {
		t.Helper()
		require.Equal(t, []string{own}, titles("front-camera"))
		_, err = c.Procedure(t.Context(), desk.ID.String(), road.String())
		require.True(t, client.IsProblem(err, "not-found"), "%v", err)
		_, answer := opens(job)
		require.NotEqual(t, http.StatusOK, answer.Status, "what is not listed cannot be opened: %s", answer.Body)
	}
	owner.Do(shop, "end-agreement", fmt.Sprintf(`{"desk":%q}`, desk.ID))
	gone()
	owner.Do(shop, "make-agreement", fmt.Sprintf(`{"desk":%q}`, desk.ID))
	require.Len(t, titles("front-camera"), 2)
	deskOwner.Do(desk, "retire", fmt.Sprintf(`{"kind":"procedure","id":%q}`, road))
	gone()
	view := apptest.Read[struct {
		State struct{ Procedure struct{ Title string } }
	}](tech, tech.Get(cal.Path()))
	require.Equal(t, "Camera, on the road (invented)", view.State.Procedure.Title, "what was opened with it keeps it")
}
