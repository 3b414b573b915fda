package register_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/register"
	"readback/internal/stream"
	"readback/internal/trail"
)

// now is the moment at which everything in these tests happens.
var now = time.Date(2026, 11, 25, 10, 20, 30, 0, time.UTC)

// id makes a fixed id that ends in a number.
func id(n int) stream.ID {
	return stream.ID{0: 0x01, 1: 0x94, 6: 0x70, 8: 0x80, 14: byte(n >> 8), 15: byte(n)}
}

// The ids and actors used all over these tests. Everyone in them is invented.
var (
	shop, desk          = id(1), id(2)
	owner, technician   = id(11), id(12)
	specialist          = id(15)
	bay, instrument     = id(21), id(31)
	fixture, dimensions = id(41), id(51)
	method              = id(71)
	webhook, device     = id(61), id(81)

	server        = stream.Actor{Roles: []stream.Role{stream.System}}
	theSpecialist = stream.Actor{Member: specialist, Org: shop, Roles: []stream.Role{stream.Specialist}}

	theOwner = stream.Actor{Member: owner, Org: shop, Roles: []stream.Role{stream.Owner}}

	deskKey   = stream.FactKey{Stream: stream.Ref{Kind: stream.Register, ID: desk}, Name: "organisation"}
	deskFacts = factsOf(`{"name":"Demo Desk (invented)","sort":"desk","phone":""}`)
)

func factsOf(organisation string) stream.Facts {
	return stream.Facts{deskKey: {Key: deskKey, Seq: 1, Value: json.RawMessage(organisation)}}
}

// world is a register with the shell around it: it admits, seals, decides and folds.
type world struct {
	t     *testing.T
	fold  *stream.Fold
	facts stream.Facts
	count int
}

func newWorld(t *testing.T) *world {
	t.Helper()
	return &world{t: t, fold: stream.NewFold(register.Rules{}, shop), facts: deskFacts}
}

func (w *world) state() *register.State { return w.fold.State.(*register.State) }

// data writes a command's data: the arguments fill the verbs of the format.
func data(format string, args ...any) json.RawMessage {
	return json.RawMessage(fmt.Sprintf(format, args...))
}

// do gives one command as the sender would.
func (w *world) do(actor stream.Actor, command string, d json.RawMessage) (stream.Entry, error) {
	w.t.Helper()
	w.count++
	cmd := stream.Command{ID: id(1000 + w.count), Base: w.fold.Seq, Type: command, Data: d}
	admitted, keys, err := w.fold.Rules.Admit(cmd)
	if err != nil {
		return stream.Entry{}, err
	}
	cmd.Data = seal(w.t, admitted, keys)
	needs, err := w.fold.Rules.Needs(w.fold.State, actor, cmd)
	require.NoError(w.t, err)
	given := stream.Facts{}
	for _, key := range needs {
		if f, ok := w.facts[key]; ok {
			given[key] = f
		}
	}
	e, _, err := w.fold.Draft(actor, cmd, nil, needs, given, now)
	if err != nil {
		return stream.Entry{}, err
	}
	if e.Seq == 1 {
		e.Opens = &stream.Opens{Rules: stream.RulesVersion}
	}
	e.Hash = stream.Hash{byte(e.Seq)}
	body, err := json.Marshal(e.Command.Data)
	require.NoError(w.t, err)
	_, err = trail.Canonical(body)
	require.NoError(w.t, err)
	require.NoError(w.t, w.fold.Apply(e))
	return e, nil
}

func (w *world) must(actor stream.Actor, command string, d json.RawMessage) stream.Entry {
	w.t.Helper()
	e, err := w.do(actor, command, d)
	require.NoError(w.t, err, command)
	return e
}

// seal stands for the shell: it puts sealed values where the plain ones were.
func seal(t require.TestingT, raw json.RawMessage, keys []string) json.RawMessage {
	var d map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &d))
	for _, key := range keys {
		require.Contains(t, d, key)
		d[key] = sealed(string(d[key]))
	}
	out, err := json.Marshal(d)
	require.NoError(t, err)
	return out
}

func sealed(plain string) json.RawMessage {
	raw, _ := json.Marshal(stream.Sealed{Sealed: stream.SealedValue{K: shop, V: fmt.Sprintf("c2VhbGVk%x", plain)}})
	return raw
}

// good is data that makes each command possible in a full register; see full.
func good() map[string]json.RawMessage {
	return map[string]json.RawMessage{
		"open-organisation": data(`{"name":"Demo Workshop North (invented)","sort":"shop","phone":"+00 555 0100"}`),
		"add-member":        data(`{"id":"%s","name":"Invented Person","roles":["technician"]}`, id(13)),
		"grant-competence":  data(`{"member":"%s","sensor":"front-camera","expires":"2027-03-31","proof":"IB-2024/123"}`, technician),
		"retire-member":     data(`{"member":"%s"}`, technician),
		"make-agreement":    data(`{"desk":"%s"}`, desk),
		"end-agreement":     data(`{"desk":"%s"}`, desk),
		"add-bay":           data(`{"id":"%s","name":"Bay 2","size_um":{"length":12000000,"width":6000000}}`, id(22)),
		"survey-bay":        data(`{"bay":"%s","floor":%s,"surveyed":"2026-06-01","expires":"2027-06-01"}`, bay, floorUM),
		"add-instrument":    data(`{"id":"%s","name":"Tape 2","instrument":{"kind":"steel tape","standard_uncertainty_um":800},"certificate":{"number":"C-2","dated":"2026-02-01"},"due":"2027-02-01"}`, id(32)),
		"renew-instrument":  data(`{"instrument":"%s","certificate":{"number":"C-9","dated":"2026-11-20"},"due":"2027-11-20"}`, instrument),
		"add-fixture":       data(`{"id":"%s","name":"Stand 2","target":"T-CAM-08","fixture":{"kind":"board","half_width_um":800000}}`, id(42)),
		"add-dimensions":    data(`{"id":"%s","type":"Invented Estate","vehicle":%s,"source":"measured on three cars"}`, id(52), vehicleUM),
		"go-on-duty":        data(`{"member":"%s"}`, specialist),
		"go-off-duty":       data(`{"member":"%s"}`, specialist),
		"set-opening-hours": data(`{"zone":"Europe/Berlin","week":[{"day":"monday","open":[{"from":"08:00","to":"12:00"},{"from":"13:00","to":"24:00"}]}],"exceptions":[{"date":"2026-12-24","open":[]}]}`),
		"add-procedure":     data(`{"id":"%s","procedure":%s}`, id(72), methodOf("Invented radar", 1)),
		"add-webhook":       data(`{"id":"%s","url":"https://hooks.example/b?x=1","events":["register.*","job.job_opened"]}`, id(62)),
		"add-interface":     data(`{"id":"%s","name":"Reader 2","bay":"%s"}`, id(82), bay),
		"retire":            data(`{"kind":"fixture","id":"%s"}`, fixture),

		"change-organisation": data(`{"name":"Demo Workshop North & Sons (invented)","phone":"+00 555 0177"}`),
		"revise-procedure":    data(`{"id":"%s","procedure":%s}`, method, methodOf("Invented camera", 2)),
		"change-member":       data(`{"id":"%s","name":"Invented Technician-Newname","roles":["technician","owner"]}`, technician),
		"revoke-competence":   data(`{"member":"%s","sensor":"front-camera"}`, technician),
		"change-bay":          data(`{"id":"%s","name":"Bay 1 east","size_um":{"length":12500001,"width":6000000}}`, bay),
		"withdraw-survey":     data(`{"bay":"%s"}`, bay),
		"change-instrument":   data(`{"id":"%s","name":"Laser old","instrument":{"kind":"laser distance meter","standard_uncertainty_um":1500}}`, instrument),
		"change-fixture":      data(`{"id":"%s","name":"Stand 1 left","target":"T-CAM-09","fixture":{"kind":"board","half_width_um":790000}}`, fixture),
		"change-webhook":      data(`{"id":"%s","url":"https://hooks.example/c","events":["calibration.leg_started"]}`, webhook),
		"change-interface":    data(`{"id":"%s","name":"Reader 1, long lead","bay":"%s"}`, device, bay),
		"change-dimensions":   data(`{"id":"%s","type":"Invented Hatchback 2","vehicle":%s,"source":"measured on two cars"}`, dimensions, strings.Replace(vehicleUM, "2680000", "2681500", 1)),
	}
}

const (
	floorUM   = `{"wheels_um":{"front_left":-1000,"front_right":8000,"rear_left":0,"rear_right":3500},"fixture_um":9000}`
	vehicleUM = `{"wheelbase_um":2680000,"front_track_um":1560000,"rear_track_um":1572000,"front_overhang_um":880000,"rear_overhang_um":790000,"hub_height_um":{"front":325000,"rear":325000}}`
)

// methodOf is a procedure as commands carry it. Its source's version tells documents apart.
func methodOf(title string, version int) string {
	return fmt.Sprintf(`{"format":"readback-procedure/1","title":%q,"sensor":"front-camera",
		"source":{"title":"Invented information","dated":"2026-03-01","version":"%d"},
		"gates":[{"gate":"battery-voltage","asks":"A supply holds it.","grade":"required","by":"leg","evidence":"measured","value":{"unit":"mV","lower":12500},"limits":"stated","expires_min":15}],
		"set_ups":[{"name":"board","target":"T-CAM-07","limits":"own","limits_by":"%s","setup":{"sensor":"front-camera","datum":"front-axle","line":"centreline",
			"distance_um":2000000,"height_um":600500,"positions":[{"name":"middle","lateral_um":0}],"tolerance":{"distance_um":6000}}}]}`, title, version, technician)
}

// answered is a procedure whose limits somebody else answers for.
func answered(by string) string {
	return strings.Replace(methodOf("Invented radar", 1), technician.String(), by, 1)
}

// full is a shop's register with one of everything, in which every command of good but the opening one is possible;
// but end-agreement, revoke-competence and withdraw-survey, which take away what make-agreement, grant-competence and
// survey-bay gave; see ready.
func full(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.must(server, "open-organisation", good()["open-organisation"])
	w.must(server, "add-member", data(`{"id":"%s","name":"Invented Owner","roles":["owner"]}`, owner))
	w.must(theOwner, "add-member", data(`{"id":"%s","name":"Invented Technician","roles":["technician"]}`, technician))
	w.must(theOwner, "add-bay", data(`{"id":"%s","name":"Bay 1"}`, bay))
	w.must(theOwner, "add-instrument", data(`{"id":"%s","name":"Laser","instrument":{"kind":"laser distance meter","standard_uncertainty_um":1000,"common_um":500},"certificate":{"number":"C-1","dated":"2026-01-10"},"due":"2027-01-10"}`, instrument))
	w.must(theOwner, "add-fixture", data(`{"id":"%s","name":"Stand 1","target":"T-CAM-07","fixture":{"kind":"board","half_width_um":800000,"carried":"slide"}}`, fixture))
	w.must(theOwner, "add-dimensions", data(`{"id":"%s","type":"Invented Hatchback","vehicle":%s,"source":"measured on one car"}`, dimensions, vehicleUM))
	w.must(theOwner, "add-procedure", data(`{"id":"%s","procedure":%s}`, method, methodOf("Invented camera", 1)))
	w.must(theOwner, "add-interface", data(`{"id":"%s","name":"Reader 1"}`, device))
	w.must(theOwner, "add-webhook", data(`{"id":"%s","url":"https://hooks.example/a","events":["calibration.*"]}`, webhook))
	return w
}
