package httpapi_test

import (
	"fmt"
	"maps"
	"net/http"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/fault"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
)

type row struct {
	Stream   stream.Ref
	Org      stream.ID
	Job      *stream.ID
	Desk     *stream.ID
	Phase    string
	Seq      uint64
	QueuedAt string `json:"queued_at"`
}

// TestWork goes from a car to a claim over HTTP alone: register, job and calibration, lists, queue, entries and bundle.
func TestWork(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, spec := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist)

	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	view := owner.Get(register.Path())
	require.Equal(t, http.StatusOK, view.Status, view.Body)
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, view).Seq
	added := owner.Do(register, "add-bay", fmt.Sprintf(`{"id":%q,"name":"Bay 3"}`, stream.NewID()))
	require.Equal(t, "bay-added", added.Type)

	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	queue := func() []row {
		return apptest.Read[struct{ Waiting []row }](spec, spec.Get("/v1/queue")).Waiting
	}
	require.JSONEq(t, `{"waiting":[]}`, spec.Get("/v1/queue").Body, "empty lists are lists")
	require.JSONEq(t, `{"calibrations":[]}`, spec.Get("/v1/calibrations").Body)
	tech.Request(cal)
	waiting := queue()
	require.Len(t, waiting, 1)
	require.Equal(t, cal.Ref, waiting[0].Stream)
	require.Equal(t, "waiting", waiting[0].Phase)
	require.NotEmpty(t, waiting[0].QueuedAt)
	require.Equal(t, http.StatusOK, spec.Get(cal.Path()).Status)

	require.Equal(t, "claimed", spec.Do(cal, "claim", `{}`).Type)
	require.Empty(t, queue())

	// What each sees of it.
	for _, who := range []*apptest.Client{tech, owner, spec, s.As(apptest.DeskOwner)} {
		rows := apptest.Read[struct{ Calibrations []row }](who, who.Get("/v1/calibrations")).Calibrations
		require.Len(t, rows, 1)
		require.Equal(t, cal.Ref, rows[0].Stream)
		require.Equal(t, cal.Seq, rows[0].Seq)
		require.Equal(t, job.ID, *rows[0].Job)
		require.Equal(t, spec.Access.Org, *rows[0].Desk)
	}
	type seen struct {
		Stream   stream.Ref
		Seq      uint64
		Head     string
		Relation stream.Relation
		State    struct{ Phase, Sensor string }
		Opened   map[string]string
	}
	mine, theirs := apptest.Read[seen](tech, tech.Get(cal.Path())), apptest.Read[seen](spec, spec.Get(cal.Path()))
	require.Equal(t, stream.Own, mine.Relation)
	require.Equal(t, stream.Claimed, theirs.Relation)
	require.Equal(t, "guided", mine.State.Phase)
	require.Equal(t, cal.Seq, mine.Seq)
	require.Equal(t, mine.Head, theirs.Head)
	require.Contains(t, slices.Collect(maps.Values(apptest.Read[seen](spec, spec.Get(job.Path())).Opened)), "ZZZDEM0A4CR000017",
		"who guides the car may know which it is")
}

type page struct {
	Entries []struct {
		Seq    uint64
		Hash   string
		Opened map[string]string
	}
	Head uint64
}

func TestEntriesInPages(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	cal := tech.OpenCalibration(tech.OpenJob())
	tech.Request(cal)

	whole := apptest.Read[page](tech, tech.Get(cal.Path()+"/entries"))
	require.Len(t, whole.Entries, int(cal.Seq))
	require.Equal(t, cal.Seq, whole.Head)
	var collected page
	for after := uint64(0); after < cal.Seq; {
		p := apptest.Read[page](tech, tech.Get(fmt.Sprintf("%s/entries?after=%d&limit=3", cal.Path(), after)))
		require.LessOrEqual(t, len(p.Entries), 3)
		require.NotEmpty(t, p.Entries)
		require.Equal(t, cal.Seq, p.Head)
		collected.Entries = append(collected.Entries, p.Entries...)
		after = p.Entries[len(p.Entries)-1].Seq
	}
	require.Equal(t, whole.Entries, collected.Entries)
	for i, e := range whole.Entries {
		require.Equal(t, uint64(i+1), e.Seq)
	}
	beyond := tech.Get(fmt.Sprintf("%s/entries?after=%d", cal.Path(), cal.Seq+100))
	require.JSONEq(t, fmt.Sprintf(`{"entries":[],"head":%d}`, cal.Seq), beyond.Body)
}

func TestListsInPages(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	var jobs []stream.ID
	for range 5 {
		job := apptest.NewStream(stream.Job)
		tech.Do(job, "open-job", apptest.OpeningJob)
		jobs = append([]stream.ID{job.ID}, jobs...)
	}
	var got []stream.ID
	for path := "/v1/jobs?limit=2"; ; {
		rows := apptest.Read[struct{ Jobs []row }](tech, tech.Get(path)).Jobs
		if len(rows) == 0 {
			break
		}
		for _, r := range rows {
			got = append(got, r.Stream.ID)
		}
		path = "/v1/jobs?limit=2&before=" + got[len(got)-1].String()
	}
	require.Equal(t, jobs, got, "the one opened last first")
	registers := apptest.Read[struct{ Registers []row }](tech, tech.Get("/v1/registers")).Registers
	require.Len(t, registers, 1)
	require.Equal(t, tech.Access.Org, registers[0].Stream.ID)
}

// TestBundle checks what comes over HTTP with the key that comes over HTTP, as somebody would who kept the key earlier.
func TestBundle(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, spec := s.As(apptest.Technician), s.As(apptest.Specialist)
	job := tech.OpenJob()
	cal := tech.OpenCalibration(job)
	tech.Request(cal)
	spec.Do(cal, "claim", `{}`)

	key := s.Nobody().Get("/v1/trail-key")
	require.Equal(t, "text/plain; charset=utf-8", key.Header.Get("Content-Type"))
	require.Equal(t, s.TrailKey()+"\n", key.Body)
	trusted, err := proof.ParseKeys([]byte(key.Body))
	require.NoError(t, err)
	for _, who := range []*apptest.Client{tech, spec} {
		got := who.Get(cal.Path() + "/bundle")
		require.Equal(t, http.StatusOK, got.Status, got.Body)
		require.Equal(t, "application/zip", got.Header.Get("Content-Type"))
		require.Equal(t, fmt.Sprintf("attachment; filename=%q", "calibration-"+cal.ID.String()+".zip"), got.Header.Get("Content-Disposition"))
		report, err := proof.Bundle([]byte(got.Body), app.ProofOptions(trusted))
		require.NoError(t, err)
		require.True(t, report.Proven(), report)
		require.True(t, report.Signer.Trusted)
		require.Len(t, report.Streams, 2)
		require.Equal(t, []uint64{cal.Seq, job.Seq}, []uint64{report.Streams[0].Entries, report.Streams[1].Entries})
		require.Equal(t, []uint64{cal.Seq, job.Seq}, []uint64{report.Streams[0].Decided, report.Streams[1].Decided})
		require.Zero(t, report.Sealed.Closed)
		require.NotZero(t, report.Sealed.Opened)

		changed := []byte(got.Body)
		changed[len(changed)/3] ^= 1
		report, err = proof.Bundle(changed, app.ProofOptions(trusted))
		require.True(t, err != nil || !report.Proven(), "a changed byte must show")
	}
}

func TestRepeatedAndReused(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech := s.As(apptest.Technician)
	job := tech.OpenJob()
	id := stream.NewID()
	note := apptest.Body(id, job.Seq, "note", `{"text":"Customer waits."}`)
	first := tech.Post(job.Path()+"/commands", note)
	require.Equal(t, http.StatusOK, first.Status, first.Body)
	before := s.Stored()

	again := tech.Post(job.Path()+"/commands", note)
	require.Equal(t, http.StatusOK, again.Status, again.Body)
	a, b := apptest.Read[apptest.Receipt](tech, first), apptest.Read[apptest.Receipt](tech, again)
	require.False(t, a.Repeated)
	require.True(t, b.Repeated)
	b.Repeated = false
	require.Equal(t, a, b)
	spelt := `{"data":{"text":"Customer waits\u002e"},"type":"note","base":` + fmt.Sprint(job.Seq) + `,"id":"` + id.String() + `"}`
	require.True(t, apptest.Read[apptest.Receipt](tech, tech.Post(job.Path()+"/commands", spelt)).Repeated, "another spelling is the same command")

	for _, other := range []string{
		apptest.Body(id, job.Seq, "note", `{"text":"Customer left."}`),
		apptest.Body(id, job.Seq+1, "note", `{"text":"Customer waits."}`),
		apptest.Body(id, job.Seq, "attach-alignment", apptest.Alignment),
		apptest.Body(id, job.Seq, "note", `{}`),
	} {
		problem(t, tech.Post(job.Path()+"/commands", other), fault.IDReused, "id")
	}
	require.Equal(t, before, s.Stored())
}

// TestRefusedCommands: each is well formed, and each is refused by the state, the role or the base.
func TestRefusedCommands(t *testing.T) {
	t.Parallel()
	s := apptest.Start(t)
	tech, owner, spec, desk := s.As(apptest.Technician), s.As(apptest.ShopOwner), s.As(apptest.Specialist), s.As(apptest.DeskOwner)
	job := tech.OpenJob()
	fresh := tech.OpenCalibration(job)
	waiting := tech.OpenCalibration(job)
	tech.Request(waiting)
	claimed := tech.OpenCalibration(job)
	tech.Request(claimed)
	spec.Do(claimed, "claim", `{}`)
	register := &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: owner.Access.Org}}
	register.Seq = apptest.Read[struct{ Seq uint64 }](owner, owner.Get(register.Path())).Seq
	bay := func() string { return fmt.Sprintf(`{"id":%q,"name":"Bay 9"}`, stream.NewID()) }

	before := s.Stored()
	for _, c := range []struct {
		name   string
		who    *apptest.Client
		on     *apptest.Stream
		base   uint64
		typ    string
		data   string
		slug   fault.Slug
		fields []string
	}{
		{"bay clear without knowing of the claim", tech, claimed, claimed.Seq - 1, "bay-clear", `{}`, fault.Stale, []string{"base"}},
		{"base ahead of the stream", tech, fresh, fresh.Seq + 1, "request", `{}`, fault.InvalidInput, []string{"base"}},
		{"lock before there is a sheet", tech, fresh, fresh.Seq, "lock", `{}`, fault.NotMet, []string{"guard"}},
		{"request with open gates", tech, fresh, fresh.Seq, "request", `{}`, fault.NotMet, []string{"guard"}},
		{"request again", tech, waiting, waiting.Seq, "request", `{}`, fault.WrongPhase, []string{"phase"}},
		{"go while waiting", tech, waiting, waiting.Seq, "bay-clear", `{}`, fault.WrongPhase, []string{"phase"}},
		{"claim what is claimed", spec, claimed, claimed.Seq, "claim", `{}`, fault.WrongPhase, []string{"phase"}},
		{"claim by a technician", tech, waiting, waiting.Seq, "claim", `{}`, fault.NotYourRole, nil},
		{"instruct by a technician", tech, claimed, claimed.Seq, "instruct", `{"step":"fit-target"}`, fault.NotYourRole, nil},
		{"go by a technician", tech, claimed, claimed.Seq, "go", `{}`, fault.NotYourRole, nil},
		{"bay clear by the specialist", spec, claimed, claimed.Seq, "bay-clear", `{}`, fault.NotYourRole, nil},
		{"the server's own command", spec, claimed, claimed.Seq, "lapse", `{}`, fault.NotYourRole, nil},
		{"the desk's owner claims", desk, waiting, waiting.Seq, "claim", `{}`, fault.NotYourRole, nil},
		{"the register by a technician", tech, register, register.Seq, "add-bay", bay(), fault.NotYourRole, nil},
		{"the register by the desk", spec, register, register.Seq, "add-bay", bay(), fault.NotYourRole, nil},
		{"the register on an old base", owner, register, 0, "open-organisation", `{"name":"X","sort":"shop","phone":""}`, fault.NotYourRole, nil},
		{"the job by the desk", spec, job, job.Seq, "note", `{"text":"x"}`, fault.NotYourRole, nil},
		{"a job by the desk", spec, apptest.NewStream(stream.Job), 0, "open-job", apptest.OpeningJob, fault.NotYourRole, nil},
		{"a calibration of no job", tech, apptest.NewStream(stream.Calibration), 0, "open", fmt.Sprintf(`{"job":%q,"sensor":"front-camera"}`, stream.NewID()), fault.NotHere, nil},
		{"an organisation by an owner", owner, apptest.NewStream(stream.Register), 0, "open-organisation", `{"name":"X","sort":"shop","phone":""}`, fault.NotYourRole, nil},
		{"a command to what is not there", tech, apptest.NewStream(stream.Calibration), 0, "request", `{}`, fault.NotHere, nil},
		{"a job under a calibration's id", tech, &apptest.Stream{Ref: stream.Ref{Kind: stream.Job, ID: fresh.ID}}, 0, "open-job", apptest.OpeningJob, fault.NotHere, nil},
	} {
		got := c.who.Post(c.on.Path()+"/commands", apptest.Body(stream.NewID(), c.base, c.typ, c.data))
		t.Run(c.name, func(t *testing.T) { problem(t, got, c.slug, c.fields...) })
	}
	require.Equal(t, before, s.Stored())
	require.Equal(t, http.StatusOK, tech.Get(claimed.Path()).Status, "and everyone else is unharmed")
}
