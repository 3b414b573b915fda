package httpapi_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/trail"
)

// TestKeyGoesOnlyToThoseWhoMayRead: the job's key opens everything of the job, so a desk has it with the bundle while its
// claim stands and not afterwards. What a desk gets afterwards verifies all the same.
func TestKeyGoesOnlyToThoseWhoMayRead(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, spec := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)
	photo := tech.AttachPhoto(cal, `{"gate":"background-plain"}`).ID
	tech.AddPhoto(cal) // no entry names it

	bundle := func(who *apptest.Client) (b *trail.Bundle, hasKey bool, about string) {
		t.Helper()
		got := who.Get(cal.Path() + "/bundle")
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		report, err := proof.Bundle([]byte(got.Body), app.ProofOptions(nil))
		require.NoError(t, err)
		require.NoError(t, report.Err(), report.String())
		b, err = trail.ReadBundle([]byte(got.Body))
		require.NoError(t, err)
		_, hasKey, err = b.JobKey()
		require.NoError(t, err)
		require.Equal(t, !hasKey, report.Sealed.Closed > 0, report.String())
		require.Equal(t, 1, report.Photos.Checked, "sealed, with the key or without")
		require.Len(t, b.Photos(), 1)
		require.Contains(t, b.Photos(), photo)
		text, _ := b.File(trail.ReadmeFile)
		return b, hasKey, string(text)
	}
	const withheld = "not handed out to this recipient"
	_, hasKey, about := bundle(spec)
	require.True(t, hasKey, "the claim stands")
	require.NotContains(t, about, withheld)

	spec.Do(cal, "return", `{"reason":"Shift ends."}`)
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	owner.Do(register, "end-agreement", fmt.Sprintf(`{"desk":%q}`, spec.Access.Org))
	for _, login := range []string{apptest.Specialist, apptest.DeskOwner} {
		b, hasKey, about := bundle(s.As(login))
		require.False(t, hasKey, login)
		require.Contains(t, about, withheld)
		require.NotContains(t, about, "destroyed")
		for _, file := range []string{trail.CalibrationFile, trail.JobFile, trail.HeadsFile} {
			text, _ := b.File(file)
			require.NotContains(t, string(text), "readback job key", file)
		}
	}
	_, hasKey, about = bundle(tech)
	require.True(t, hasKey, "the shop's own")
	require.NotContains(t, about, withheld)
}
