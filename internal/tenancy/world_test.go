package tenancy

import (
	"bytes"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/stream"
	"readback/internal/testkit/apptest"
	"readback/internal/token"
)

// org is an organisation with one member of each role, who has no other.
type org struct {
	id       stream.ID
	register *apptest.Stream
	people   map[stream.Role]*apptest.Client
}

// town is a server with a world in which each relation holds.
type town struct {
	*apptest.Server
	north      *org // the shop that owns what is asked for
	south      *org // a shop that has nothing to do with it
	desk       *org // has an agreement with north
	second     *org // a desk that had one, and a claim, both over
	retired    *apptest.Client
	session    string // of south's technician
	webhook    string // of south
	invitation string // to south's specialist
	device     device // of south
	gateway    device // of south

	waiting, claimed, ended, preparing *visit
	photos                             map[stream.ID]string // one of each of their calibrations
	procedures                         map[stream.ID]string // one of each register
}

// device is a vehicle interface, or an instrument gateway.
type device struct {
	id           stream.ID
	client, void *apptest.Client // with its token, and with the one that it had before
}

// photo is a photo of the calibration; for another stream, one that is nobody's.
func (w *town) photo(of *apptest.Stream) string {
	if id, ok := w.photos[of.ID]; ok {
		return id
	}
	return "01940000-0000-7000-8000-00000000ffff"
}

// deskMethod is a desk's procedure: a drive alone, whose source states all limits.
const deskMethod = `{"format":"readback-procedure/1","title":"Learning on the road (invented)","sensor":"front-camera",
	"source":{"title":"Invented service information","dated":"2026-03-01","version":"1"},
	"gates":[{"gate":"tyres-set","asks":"The tyres are at their pressure.","grade":"required","by":"request","evidence":"declared"}],
	"drive":{"windows":[{"window":"main-road","speed_kmh":{"lower":60,"upper":100},"minutes":{"lower":10}}],
		"conditions":[{"condition":"dry","asks":"It does not rain."}]}}`

// visit is a job and its calibration.
type visit struct{ job, calibration *apptest.Stream }

func (v *visit) of(kind stream.Kind) *apptest.Stream {
	if kind == stream.Job {
		return v.job
	}
	return v.calibration
}

func settle(t *testing.T) *town {
	t.Helper()
	s := apptest.Start(t)
	desk, err := os.ReadFile(filepath.Join(apptest.Root(), "testdata", "import", "desk.json"))
	require.NoError(t, err)
	for old, with := range map[string]string{"-0000000000": "-0000000002", "desk.example": "second.example", "Demo Desk": "Second Desk"} {
		desk = bytes.ReplaceAll(desk, []byte(old), []byte(with))
	}
	_, err = app.Init(t.Context(), s.Config, slog.New(slog.DiscardHandler), []app.Document{{File: "second desk", Raw: desk}})
	require.NoError(t, err)

	w := &town{Server: s}
	w.north = w.org(apptest.ShopOwner, map[stream.Role]string{stream.Technician: apptest.Technician})
	w.south = w.org(apptest.OtherOwner, map[stream.Role]string{stream.Technician: apptest.OtherTechnician})
	w.desk = w.org(apptest.DeskOwner, map[stream.Role]string{stream.Specialist: apptest.Specialist, stream.Owner: apptest.DeskOwner})
	w.second = w.org("otto@second.example", map[stream.Role]string{stream.Specialist: "ines@second.example", stream.Owner: "otto@second.example"})

	signedIn := w.Nobody().Post("/v1/sign-in", fmt.Sprintf(`{"login":%q,"password":"demo technician"}`, apptest.OtherTechnician))
	require.Equal(t, http.StatusOK, signedIn.Status, signedIn.Body)
	w.session = apptest.Read[struct{ Session string }](w.Nobody(), signedIn).Session
	require.NotEmpty(t, w.session)

	invited := w.As(apptest.OtherOwner).Post("/v1/invitations", fmt.Sprintf(`{"member":%q,"login":"guest@south.example"}`,
		w.south.people[stream.Specialist].Access.Member))
	require.Less(t, invited.Status, 300, invited.Body)
	w.invitation = apptest.Read[struct{ ID string }](w.Nobody(), invited).ID
	require.NotEmpty(t, w.invitation, invited.Body)

	w.webhook = stream.NewID().String()
	w.As(apptest.OtherOwner).Do(w.south.register, "add-webhook",
		fmt.Sprintf(`{"id":%q,"url":"https://hooks.invalid/readback","events":["job.job_opened"]}`, w.webhook))

	void, plugged := w.Device(w.As(apptest.OtherOwner), "Reader")
	w.device = device{plugged, w.Token(w.As(apptest.OtherOwner), plugged), void}
	void, gauges := w.Gateway(w.As(apptest.OtherOwner), "Gauges", "01940000-0000-7000-8000-0000000001b1", "01940000-0000-7000-8000-0000000001c1")
	w.gateway = device{gauges, w.Token(w.As(apptest.OtherOwner), gauges), void}

	gone := stream.NewID()
	owner := w.As(apptest.ShopOwner)
	owner.Do(w.north.register, "add-member", fmt.Sprintf(`{"id":%q,"name":"Gone","roles":["technician","owner"]}`, gone))
	owner.Do(w.north.register, "retire-member", fmt.Sprintf(`{"member":%q}`, gone))
	w.retired = w.Member(token.Access{Org: w.north.id, Member: gone})

	owner.Do(w.north.register, "make-agreement", fmt.Sprintf(`{"desk":%q}`, w.second.id))
	w.procedures = map[stream.ID]string{
		w.north.id: "01940000-0000-7000-8000-0000000000f7", w.south.id: "01940000-0000-7000-8000-0000000001f7", // as imported
	}
	for _, o := range []*org{w.desk, w.second} {
		id := stream.NewID().String()
		o.people[stream.Owner].Do(o.register, "add-procedure", fmt.Sprintf(`{"id":%q,"procedure":%s}`, id, deskMethod))
		w.procedures[o.id] = id
	}
	w.preparing = w.open()
	w.waiting = w.request()
	w.claimed = w.claim()
	w.ended = w.request()
	w.photos = map[stream.ID]string{}
	for _, v := range []*visit{w.preparing, w.waiting, w.claimed, w.ended} {
		w.photos[v.calibration.ID] = w.technician().AddPhoto(v.calibration).ID.String()
	}
	w.second.people[stream.Specialist].Do(w.ended.calibration, "claim", `{}`)
	w.second.people[stream.Specialist].Do(w.ended.calibration, "return", `{"reason":"The shift ends."}`)
	owner.Do(w.north.register, "end-agreement", fmt.Sprintf(`{"desk":%q}`, w.second.id))
	return w
}

// org gives an organisation's people, adding those that there are none of yet.
func (w *town) org(owner string, there map[stream.Role]string) *org {
	first := w.As(owner)
	o := &org{id: first.Access.Org, people: map[stream.Role]*apptest.Client{}}
	o.register = &apptest.Stream{Ref: stream.Ref{Kind: stream.Register, ID: o.id}}
	o.register.Seq = apptest.Read[struct{ Seq uint64 }](first, first.Get(o.register.Path())).Seq
	for _, role := range roles {
		if login, ok := there[role]; ok {
			o.people[role] = w.As(login)
			continue
		}
		id := stream.NewID()
		first.Do(o.register, "add-member", fmt.Sprintf(`{"id":%q,"name":"Some %s","roles":[%q]}`, id, role, role))
		o.people[role] = w.Member(token.Access{Org: o.id, Member: id})
	}
	return o
}

func (w *town) technician() *apptest.Client { return w.north.people[stream.Technician] }

func (w *town) open() *visit {
	job := w.technician().OpenJob()
	return &visit{job, w.technician().OpenCalibration(job)}
}

func (w *town) request() *visit {
	v := w.open()
	w.technician().Request(v.calibration)
	return v
}

func (w *town) claim() *visit {
	v := w.request()
	w.desk.people[stream.Specialist].Do(v.calibration, "claim", `{}`)
	return v
}

// side is an organisation beside the streams to which it stands in one relation.
type side struct {
	relation stream.Relation
	name     string
	org      *org
	visit    *visit
	register *org // nil where the relation is none that a register has
}

// sides has each relation. A desk's agreement gives it nothing of what nobody asked it for.
func (w *town) sides() []side {
	return []side{
		{stream.Own, "own", w.north, w.claimed, w.north},
		{stream.Agreed, "agreed", w.desk, w.waiting, w.north},
		{stream.Claimed, "claimed", w.desk, w.claimed, nil},
		{stream.Ended, "ended", w.second, w.ended, w.north},
		{stream.Foreign, "foreign", w.south, w.claimed, w.north},
		{stream.Foreign, "of a desk before the request", w.desk, w.preparing, w.south},
	}
}

// there is the stream of the kind, or nil.
func (s side) there(kind stream.Kind) *apptest.Stream {
	if kind != stream.Register {
		return s.visit.of(kind)
	}
	if s.register == nil {
		return nil
	}
	return s.register.register
}

// person is one who asks.
type person struct {
	name   string
	role   stream.Role
	client *apptest.Client
}

func (s side) people() []person {
	var all []person
	for _, role := range roles {
		all = append(all, person{s.name + " " + string(role), role, s.org.people[role]})
	}
	return all
}

// strangers are those for whom nothing but signing in is; a device does the one thing that it is for, and to all else is one of
// them.
func (w *town) strangers() []person {
	return []person{{"nobody", "", w.Nobody()}, {"retired", "", w.retired}, {"a vehicle interface", "", w.device.client}, {"a gateway", "", w.gateway.client}}
}

// asJSON is the client sending JSON.
func asJSON(c *apptest.Client) *apptest.Client { return c.With("Content-Type", "application/json") }

// same wants two answers that cannot be told apart.
func same(t *testing.T, none, got apptest.Answer, cell string) {
	t.Helper()
	require.Equal(t, none.Status, got.Status, "%s: %s", cell, got.Body)
	require.Equal(t, none.Body, got.Body, cell)
	for _, h := range []http.Header{none.Header, got.Header} {
		h.Del("Date")
	}
	require.Equal(t, none.Header, got.Header, cell)
}
