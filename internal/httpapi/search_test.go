package httpapi_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

// TestRecordsAreFound years later: by the plate and the VIN as people say them, those corrected since as well; by the day, the
// sensor, the outcome and who did it; all that is wrong with a search is told at once. No plate and no VIN stands in the
// database for it, and a destroyed key takes what found its car along.
func TestRecordsAreFound(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	broken, job, corrected := tech.OpenJob(), tech.OpenJob(), tech.OpenJob()
	one, other := tech.OpenCalibration(job), tech.OpenCalibration(corrected)
	tech.Request(one)
	spec.Do(one, "claim", `{}`)
	tech.Do(other, "declare", `{"outcome":"withdrawn","reason":"The customer fetches the car."}`)
	tech.Do(corrected, "describe-vehicle", `{"plate":"Ö-DEMO 2","vin":"ZZZDEM0A5CR000026"}`)

	find := func(who *apptest.Client, query ...string) (ids []string) {
		t.Helper()
		values := url.Values{}
		for _, q := range query {
			name, value, _ := strings.Cut(q, "=")
			values.Set(name, value)
		}
		got := who.Get("/v1/calibrations?" + values.Encode())
		require.Equal(t, 200, got.Status, got.Body)
		for _, r := range apptest.Read[struct{ Calibrations []row }](who, got).Calibrations {
			ids = append(ids, r.Stream.ID.String())
		}
		return ids
	}
	first, second := one.ID.String(), other.ID.String()
	both := []string{second, first}
	for _, plate := range []string{"DEMO 1", "demo-1", "Demo1", " d e m o 1"} {
		require.Equal(t, both, find(tech, "plate="+plate), plate)
	}
	require.Equal(t, []string{second}, find(tech, "plate=ödemo2"), "as corrected")
	require.Empty(t, find(tech, "plate=DEMO 11"))
	require.Equal(t, both, find(tech, "vin=zzzdem0a4cr000017"))
	require.Equal(t, both, find(tech, "vin=000017"))
	require.Equal(t, []string{second}, find(tech, "vin=000026", "plate=DEMO 1"))
	require.Empty(t, find(tech, "vin=000027"))
	require.Equal(t, []string{first}, find(spec, "plate=DEMO 1"), "what the desk has claimed")
	require.Empty(t, find(s.As(apptest.OtherTechnician), "plate=DEMO 1"), "another shop's is not here")

	require.Equal(t, []string{second}, find(tech, "outcome=withdrawn"))
	require.Empty(t, find(tech, "sensor=front-radar"))
	require.Equal(t, []string{first}, find(tech, "member="+spec.Access.Member.String(), "sensor=front-camera"))
	require.Equal(t, both, find(tech, "member="+tech.Access.Member.String()))
	require.Empty(t, find(tech, "member="+stream.NewID().String()))
	now := time.Now()
	require.Equal(t, both, find(tech, "since="+now.Add(-time.Hour).Format(time.RFC3339), "until="+now.Add(time.Hour).Format(time.RFC3339)))
	require.Empty(t, find(tech, "until="+now.Add(-time.Hour).Format(time.RFC3339)))
	require.Equal(t, []string{first}, find(tech, "plate=DEMO 1", "before="+second, "limit=1"))

	problem(t, tech.Get("/v1/calibrations?plate=_&vin=0000I7&sensor=sonar&outcome=done&member=x&since=2026-11-01&until=soon"),
		fault.InvalidInput, "plate", "vin", "sensor", "outcome", "member", "since", "until")
	problem(t, tech.Get("/v1/calibrations?since=2026-11-02T00:00:00Z&until=2026-11-01T00:00:00Z"), fault.InvalidInput, "until")
	problem(t, tech.Get("/v1/jobs?plate=DEMO+1"), fault.InvalidInput, "plate")

	require.NotContains(t, strings.ToUpper(s.Stored()), "ZZZDEM")
	conn := s.SQL()
	defer conn.Close(t.Context())

	// As an update finds a database of before: the next server that starts makes what jobs are found by from their entries, also
	// behind one whose entries nobody can open any more.
	_, err := conn.Exec(t.Context(), `delete from readback.clue where job = $1`, broken.ID.String())
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `update readback.stream_key set wrapped = set_byte(wrapped, 20, get_byte(wrapped, 20) # 1) where stream = $1`, broken.ID.String())
	require.NoError(t, err)
	kept := s.Stored()
	_, err = conn.Exec(t.Context(), `delete from readback.clue`)
	require.NoError(t, err)
	require.Empty(t, find(tech, "plate=DEMO 1"))
	_, err = conn.Exec(t.Context(), `update readback.clue_cursor set done = '00000000-0000-0000-0000-000000000000'`)
	require.NoError(t, err)
	s = s.Again()
	tech = s.As(apptest.Technician)
	require.Eventually(t, func() bool {
		var left bool
		return conn.QueryRow(t.Context(), `select done is not null from readback.clue_cursor`).Scan(&left) == nil && !left
	}, time.Minute, 20*time.Millisecond)
	require.Equal(t, kept, s.Stored())

	_, err = conn.Exec(t.Context(), `delete from readback.stream_key where stream = $1`, job.ID.String())
	require.NoError(t, err)
	require.Equal(t, []string{second}, find(tech, "plate=DEMO 1"))
	require.Equal(t, []string{second}, find(tech, "vin=000017"))
	require.Equal(t, both, find(tech, "sensor=front-camera"), "by what is nobody's person it is still found")
}
