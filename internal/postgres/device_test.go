package postgres

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/device"
	"readback/internal/fault"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/pgtest"
)

func TestDeviceTokens(t *testing.T) {
	t.Parallel()
	d := open(t, pgtest.Database(t), Options{})
	one := device.Device{Org: stream.NewID(), Interface: stream.NewID()}
	other := device.Device{Org: stream.NewID(), Interface: one.Interface} // ids of things are their register's alone
	for i, of := range []device.Device{one, other, one} {
		require.NoError(t, d.GiveToken(t.Context(), of, device.Hash{byte(i)}, stream.NewID()))
	}
	_, err := d.TokenOf(t.Context(), device.Hash{0})
	require.True(t, fault.Is(err, fault.NotHere), "a new one takes the place of the one before: %v", err)
	for hash, want := range map[byte]device.Device{1: other, 2: one} {
		got, err := d.TokenOf(t.Context(), device.Hash{hash})
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
}

// TestAssign: which job an announcement goes to, however often and from wherever it comes.
func TestAssign(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	nodes := [2]*DB{open(t, url, Options{}), open(t, url, Options{})}
	org := stream.NewID()
	from := func() device.Device { return device.Device{Org: org, Interface: stream.NewID()} }
	assign := func(a device.Assignment) stream.ID {
		t.Helper()
		job, err := nodes[0].Assign(t.Context(), a)
		require.NoError(t, err)
		return job
	}
	first := device.Assignment{Device: from(), ID: stream.NewID(), Said: "all of it", Mark: "a car", Job: stream.NewID()}
	require.Equal(t, first.Job, assign(first))
	again := first
	again.Job = stream.NewID()
	require.Equal(t, first.Job, assign(again), "sent again")
	again.Said = "something else"
	_, err := nodes[0].Assign(t.Context(), again)
	require.True(t, fault.Is(err, fault.IDReused), "%v", err)

	same := device.Assignment{Device: from(), ID: stream.NewID(), Said: "the car", Mark: "a car", Job: stream.NewID()}
	require.Equal(t, first.Job, assign(same), "of the same car")
	elsewhere := same
	elsewhere.Org, elsewhere.Job = stream.NewID(), stream.NewID()
	require.Equal(t, elsewhere.Job, assign(elsewhere), "another organisation's")
	found := device.Assignment{Device: from(), ID: stream.NewID(), Mark: "another car", Job: stream.NewID(), Found: true}
	require.Equal(t, found.Job, assign(found))
	besides := device.Assignment{Device: from(), ID: stream.NewID(), Mark: "another car", Job: stream.NewID()}
	require.Equal(t, besides.Job, assign(besides), "a tie is one interface's own")

	first.Not, first.Job = []stream.ID{first.Job}, stream.NewID()
	require.Equal(t, first.Job, assign(first), "the one before does not take it")
	same.Not = first.Not
	require.Equal(t, first.Job, assign(same))

	sql := superuser(t, url)
	_, err = sql.Exec(t.Context(), "update announcement set at = at - interval '61 minutes'")
	require.NoError(t, err)
	later := device.Assignment{Device: from(), ID: stream.NewID(), Mark: "a car", Job: stream.NewID()}
	require.Equal(t, later.Job, assign(later), "an hour later it is another visit")
	_, err = sql.Exec(t.Context(), "update announcement set at = at - interval '24 hours' where id <> $1", later.ID)
	require.NoError(t, err)
	require.NoError(t, nodes[1].ForgetAnnouncements(t.Context()))
	var kept []stream.ID
	require.NoError(t, sql.QueryRow(t.Context(), "select array_agg(id) from announcement").Scan(&kept))
	require.Equal(t, []stream.ID{later.ID}, kept)
}

// TestAssignAtOnce: twenty interfaces on two nodes announce one car at once, fifty times. It is one job each time.
func TestAssignAtOnce(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	nodes := [2]*DB{open(t, url, Options{}), open(t, url, Options{})}
	for range 50 {
		org, jobs := stream.NewID(), make([]stream.ID, 20)
		var wg sync.WaitGroup
		for i := range jobs {
			wg.Go(func() {
				var err error
				a := device.Assignment{Device: device.Device{Org: org, Interface: stream.NewID()}, ID: stream.NewID(), Mark: "a car", Job: stream.NewID()}
				if jobs[i], err = nodes[i%2].Assign(t.Context(), a); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		for _, job := range jobs {
			require.Equal(t, jobs[0], job)
		}
	}
}

// TestJobsNear: what is looked at are open jobs of the shop in which something happened lately, or in a calibration of
// theirs; tied ones for longer.
func TestJobsNear(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, sql := open(t, url, Options{}), superuser(t, url)
	of := device.Device{Org: stream.NewID(), Interface: stream.NewID()}
	job := func(org stream.ID, phase string, tied *stream.ID, age string) stream.ID {
		l := newLine()
		l.ref.Kind = stream.Job
		a := l.next("opened")
		a.Summary = stream.Summary{Org: org, Phase: phase, Data: map[string]any{"interface": tied}}
		want(t, d, a, live.Won)
		_, err := sql.Exec(t.Context(), "update head set changed_at = now() - $2::interval where stream = $1", l.ref.ID, age)
		require.NoError(t, err)
		return l.ref.ID
	}
	other := stream.NewID()
	near := []stream.ID{job(of.Org, "open", nil, "59 minutes"), job(of.Org, "open", &of.Interface, "11 hours"), job(of.Org, "open", &other, "1 minute")}
	far := []stream.ID{
		job(of.Org, "open", nil, "61 minutes"), job(of.Org, "open", &other, "2 hours"), job(of.Org, "open", &of.Interface, "13 hours"),
		job(of.Org, "withdrawn", &of.Interface, "1 minute"), job(other, "open", &of.Interface, "1 minute"),
	}
	got, err := d.JobsNear(t.Context(), of)
	require.NoError(t, err)
	require.Equal(t, []device.Near{{Stream: near[2], Seq: 1}, {Stream: near[1], Seq: 1}, {Stream: near[0], Seq: 1}}, got, "the one opened last first; far: %v", far)
}

// TestPlacedNear: what is looked at are calibrations of the shop's open jobs with a sheet for the bay, in a phase that may take
// readings, in which something happened lately.
func TestPlacedNear(t *testing.T) {
	t.Parallel()
	url := pgtest.Database(t)
	d, sql := open(t, url, Options{}), superuser(t, url)
	org, bay, other := stream.NewID(), stream.NewID(), stream.NewID()
	add := func(kind stream.Kind, of stream.ID, job *stream.ID, phase string, data any, age string) stream.ID {
		l := newLine()
		l.ref.Kind = kind
		a := l.next("opened")
		a.Summary = stream.Summary{Org: of, Job: job, Phase: phase, Data: data}
		want(t, d, a, live.Won)
		_, err := sql.Exec(t.Context(), "update head set changed_at = now() - $2::interval where stream = $1", l.ref.ID, age)
		require.NoError(t, err)
		return l.ref.ID
	}
	job := add(stream.Job, org, nil, "open", nil, "0 s")
	withdrawn := add(stream.Job, org, nil, "withdrawn", nil, "0 s")
	in := func(b stream.ID) map[string]any { return map[string]any{"bay": b} }
	var near []device.Near
	for _, phase := range []string{"preparing", "waiting", "guided", "stopped"} {
		near = append([]device.Near{{Stream: add(stream.Calibration, org, &job, phase, in(bay), "11 hours"), Seq: 1}}, near...)
	}
	add(stream.Calibration, org, &job, "running", in(bay), "0 s")
	add(stream.Calibration, org, &job, "closed", in(bay), "0 s")
	add(stream.Calibration, org, &job, "guided", in(other), "0 s")
	add(stream.Calibration, org, &job, "guided", map[string]any{}, "0 s")
	add(stream.Calibration, org, &job, "guided", in(bay), "13 hours")
	add(stream.Calibration, org, &withdrawn, "guided", in(bay), "0 s")
	add(stream.Calibration, other, &job, "guided", in(bay), "0 s")
	got, err := d.PlacedNear(t.Context(), org, bay)
	require.NoError(t, err)
	require.Equal(t, near, got, "the one opened last first")
}
