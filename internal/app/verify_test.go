package app_test

import (
	"log/slog"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/proof"
	"readback/internal/testkit/apptest"
)

// TestVerifyFindsWhatWasChangedBesideTheEntries changes one thing after the other beside untouched entries, wants it
// named, and puts it back.
func TestVerifyFindsWhatWasChangedBesideTheEntries(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	waiting, claimed, returned := tech.OpenCalibration(job), tech.OpenCalibration(job), tech.OpenCalibration(job)
	for _, cal := range []*apptest.Stream{waiting, claimed, returned} {
		tech.Request(cal)
	}
	spec.Do(claimed, "claim", `{}`)
	spec.Do(returned, "claim", `{}`)
	spec.Do(returned, "return", `{"reason":"Shift ends."}`)
	photo := tech.AttachPhoto(claimed, `{"gate":"background-plain"}`).ID.String()
	cfg := s.Config
	require.NoError(t, s.Stop())
	conn := s.SQL()
	verify := func() proof.Report {
		t.Helper()
		report, err := app.VerifyDatabase(t.Context(), cfg, slog.New(slog.DiscardHandler))
		require.NoError(t, err)
		return report
	}
	honest := verify()
	require.NoError(t, honest.Err(), honest.String())
	require.Equal(t, 1, honest.Photos.Checked)

	other := apptest.NewStream(job.Kind).ID.String()
	head := func(set string) string { return "update readback.head set " + set + " where stream = $1" }
	for name, c := range map[string]struct {
		sql    string
		of     *apptest.Stream
		reason proof.Reason
		why    string
	}{
		"a head deleted":         {"delete from readback.head where stream = $1", claimed, proof.MissingHead, "heads is missing"},
		"a job's head deleted":   {"delete from readback.head where stream = $1", job, proof.MissingHead, "heads is missing"},
		"another shop's":         {head("org = '" + other + "'"), claimed, proof.BadColumn, "column org"},
		"another job's":          {head("job = '" + other + "'"), claimed, proof.BadColumn, "column job"},
		"no job's":               {head("job = null"), claimed, proof.BadColumn, "column job"},
		"another desk's":         {head("desk = '" + other + "'"), claimed, proof.BadColumn, "column desk"},
		"a desk's again":         {head("desk = '" + other + "'"), returned, proof.BadColumn, "column desk"},
		"another phase":          {head("phase = 'closed'"), claimed, proof.BadColumn, "column phase"},
		"first in the queue":     {head("queued_at = queued_at - interval '1 day'"), waiting, proof.BadColumn, "column queued_at"},
		"out of the queue":       {head("queued_at = null"), waiting, proof.BadColumn, "column queued_at"},
		"in the queue":           {head("queued_at = now()"), claimed, proof.BadColumn, "column queued_at"},
		"urgent in the queue":    {head("due_at = due_at - interval '1 day'"), waiting, proof.BadColumn, "column due_at"},
		"another time of change": {head("changed_at = changed_at + interval '1 hour'"), waiting, proof.BadColumn, "column changed_at"},
	} {
		tx, err := conn.Begin(t.Context())
		require.NoError(t, err)
		_, err = tx.Exec(t.Context(), "create table kept as select * from readback.head")
		require.NoError(t, err)
		tag, err := tx.Exec(t.Context(), c.sql, c.of.ID.String())
		require.NoError(t, err, name)
		require.EqualValues(t, 1, tag.RowsAffected(), name)
		require.NoError(t, tx.Commit(t.Context()))

		report := verify()
		require.Len(t, report.Findings, 1, "%s: %s", name, report)
		require.Equal(t, c.of.Ref, report.Findings[0].Stream, name)
		require.Equal(t, c.reason, report.Findings[0].Reason, name)
		require.Contains(t, report.Findings[0].Why, c.why, name)

		_, err = conn.Exec(t.Context(), "delete from readback.head; insert into readback.head select * from kept; drop table kept")
		require.NoError(t, err)
	}
	require.Equal(t, honest, verify())

	for name, c := range map[string]struct {
		sql    string
		reason proof.Reason
	}{
		"a photo deleted":               {"delete from readback.photo where id = $1", proof.PhotoMissing},
		"a photo given to another":      {"update readback.photo set stream = '" + returned.ID.String() + "' where id = $1", proof.PhotoMissing},
		"a byte of a photo":             {"update readback.photo set sealed = set_byte(sealed, 99, get_byte(sealed, 99) # 1) where id = $1", proof.PhotoChanged},
		"a byte of a photo and its sum": {"update readback.photo set sealed = sealed || '\\x00', sha256 = sha256(sealed || '\\x00') where id = $1", proof.PhotoChanged},
	} {
		_, err := conn.Exec(t.Context(), "create table kept as select * from readback.photo")
		require.NoError(t, err)
		tag, err := conn.Exec(t.Context(), c.sql, photo)
		require.NoError(t, err, name)
		require.EqualValues(t, 1, tag.RowsAffected(), name)
		report := verify()
		require.Len(t, report.Findings, 1, "%s: %s", name, report)
		require.Equal(t, c.reason, report.Findings[0].Reason, name)
		require.Equal(t, claimed.Ref, report.Findings[0].Stream, name)
		require.EqualValues(t, claimed.Seq, report.Findings[0].Seq, name)
		_, err = conn.Exec(t.Context(), "delete from readback.photo; insert into readback.photo select * from kept; drop table kept")
		require.NoError(t, err)
	}
	require.Equal(t, honest, verify())

	// A key that is there and does not open is no destroyed one. Without the key file nobody can tell.
	_, err := conn.Exec(t.Context(), "update readback.stream_key set wrapped = set_byte(wrapped, 20, get_byte(wrapped, 20) # 1) where stream = $1", job.ID.String())
	require.NoError(t, err)
	report := verify()
	require.Len(t, report.Findings, 1, "%s", report)
	require.Equal(t, proof.BadKey, report.Findings[0].Reason)
	require.Contains(t, report.Findings[0].Why, "does not open with the key file")
	cfg.KeyFile += ".none"
	report = verify()
	require.True(t, report.Proven(), report.String())
	require.Contains(t, report.String(), "the key is not here or destroyed")
	require.Equal(t, 1, report.Photos.Checked, "the sum needs no key")
	cfg.KeyFile = s.Config.KeyFile
	_, err = conn.Exec(t.Context(), "delete from readback.stream_key where stream = $1", job.ID.String())
	require.NoError(t, err)
	report = verify()
	require.True(t, report.Proven(), "destroyed: %s", report)
	require.NotZero(t, report.Sealed.Closed)
	require.Equal(t, 1, report.Photos.Absent, "gone with the key")
}
