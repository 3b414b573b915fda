package httpapi_test

import (
	"encoding/json"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestCalibrationsOfAWithdrawnJob: each is to be declared withdrawn next, on both sides and at once, whatever it was at; and
// nothing is measured any more.
func TestCalibrationsOfAWithdrawnJob(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	preparing, waiting, claimed, ended := tech.OpenCalibration(job), tech.OpenCalibration(job), tech.OpenCalibration(job), tech.OpenCalibration(job)
	for _, cal := range []*apptest.Stream{waiting, claimed, ended} {
		tech.Request(cal)
	}
	spec.Do(claimed, "claim", `{}`)
	tech.Do(ended, "declare", `{"outcome":"withdrawn","reason":"Asked for twice."}`)
	turn := func(who *apptest.Client, cal *apptest.Stream) (turn, words string) {
		t.Helper()
		view := apptest.Read[struct {
			State struct{ Turn json.RawMessage }
		}](who, ask(t, who, "GET", cal.Path(), ""))
		said := apptest.Read[struct{ Words struct{ Turn string } }](who, ask(t, who, "GET", cal.Path()+"/words", ""))
		return string(view.State.Turn), said.Words.Turn
	}
	other := tech.OpenCalibration(tech.OpenJob())
	tech.Request(other)
	queue := func() (ids []stream.ID) {
		t.Helper()
		for _, r := range apptest.Read[struct{ Waiting []struct{ Stream stream.Ref } }](spec, spec.Get("/v1/queue")).Waiting {
			ids = append(ids, r.Stream.ID)
		}
		return ids
	}
	type standing struct {
		Place, Estimate *struct{ Position, Ahead int }
	}
	place := func(cal *apptest.Stream) standing { return apptest.Read[standing](tech, tech.Get(cal.Path()+"/place")) }
	require.Equal(t, []stream.ID{waiting.ID, other.ID}, queue())
	require.Equal(t, 2, place(other).Place.Position)
	before, _ := turn(tech, ended)
	tech.Do(job, "withdraw-job", `{"cause":"car-left","reason":"The customer fetched it."}`)
	for _, who := range []*apptest.Client{tech, spec} {
		for _, cal := range []*apptest.Stream{preparing, waiting, claimed} {
			if who == spec && cal == preparing {
				continue // nothing of a desk's
			}
			next, words := turn(who, cal)
			require.JSONEq(t, `{"who":"technician","do":"declare","outcome":"withdrawn"}`, next)
			require.Contains(t, words, "declare it withdrawn: the job is")
		}
	}
	// It leaves the queue at once, and a further entry of its own does not bring it back.
	require.Equal(t, []stream.ID{other.ID}, queue())
	tech.Do(waiting, "note", `{"text":"The car is gone."}`)
	require.Equal(t, []stream.ID{other.ID}, queue())
	require.Equal(t, 1, place(other).Place.Position, "nobody waits behind it")
	require.Equal(t, standing{}, place(waiting))
	require.Equal(t, standing{}, place(preparing))
	after, _ := turn(tech, ended)
	require.JSONEq(t, before, after, "it is declared")

	problem(t, tech.Post(preparing.Path()+"/commands", apptest.Body(stream.NewID(), preparing.Seq, "lock", `{}`)), fault.NotMet, "guard")
	tech.Do(preparing, "declare", `{"outcome":"withdrawn","reason":"The job was withdrawn."}`)
	next, _ := turn(tech, preparing)
	require.Contains(t, next, `"do":"sign"`)
	require.Equal(t, http.StatusOK, tech.Get(job.Path()).Status)
}
