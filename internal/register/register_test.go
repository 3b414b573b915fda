package register_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/placement"
	"readback/internal/quantity"
	"readback/internal/register"
	"readback/internal/stream"
)

func fact(t *testing.T, w *world, name string) (string, uint64) {
	t.Helper()
	value, seq, ok := w.fold.Rules.Fact(w.fold.State, name)
	require.True(t, ok, name)
	return string(value), seq
}

func TestFacts(t *testing.T) {
	t.Parallel()
	w := full(t)
	for _, c := range []string{"make-agreement", "survey-bay", "grant-competence", "renew-instrument"} {
		w.must(theOwner, c, good()[c])
	}
	for name, want := range map[string]struct {
		value string
		seq   uint64
	}{
		"organisation":                  {`{"name":"Demo Workshop North (invented)","sort":"shop","phone":"+00 555 0100"}`, 1},
		"agreement/" + desk.String():    {`{"desk":"` + desk.String() + `","ended":false}`, 11},
		"bay/" + bay.String():           {`{"name":"Bay 1","floor":` + floorUM + `,"surveyed":"2026-06-01","expires":"2027-06-01","active":true}`, 12},
		"member/" + technician.String(): {`{"name":` + string(sealed(`"Invented Technician"`)) + `,"roles":["technician"],"competences":[{"sensor":"front-camera","expires":"2027-03-31","proof":"IB-2024/123"}],"active":true}`, 13},
		"instrument/" + instrument.String(): {`{"name":"Laser","instrument":{"kind":"laser distance meter","standard_uncertainty_um":1000,"common_um":500},
			"certificate":{"number":"C-9","dated":"2026-11-20"},"due":"2027-11-20","active":true}`, 14},
		"fixture/" + fixture.String():       {`{"name":"Stand 1","target":"T-CAM-07","fixture":{"kind":"board","half_width_um":800000,"carried":"slide"},"active":true}`, 6},
		"dimensions/" + dimensions.String(): {`{"type":"Invented Hatchback","vehicle":` + vehicleUM + `,"source":"measured on one car","active":true}`, 7},
	} {
		value, seq := fact(t, w, name)
		require.JSONEq(t, want.value, value, name)
		require.Equal(t, want.seq, seq, name)
	}
	for _, name := range []string{"", "member", "member/", "member/" + id(99).String(), "nothing/" + bay.String(), "bay/" + instrument.String(), "organisation/"} {
		_, _, ok := w.fold.Rules.Fact(w.fold.State, name)
		require.False(t, ok, name)
	}
	_, _, ok := w.fold.Rules.Fact(register.Rules{}.New(shop), "organisation")
	require.False(t, ok, "not before it is opened")
}

// What the register gives is what the placement check takes.
func TestFactsFitTheCheck(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "survey-bay", good()["survey-bay"])
	decimal := func(name, part string) json.RawMessage {
		value, _ := fact(t, w, name)
		var all map[string]json.RawMessage
		require.NoError(t, json.Unmarshal([]byte(value), &all))
		out, err := quantity.ToDecimal(all[part])
		require.NoError(t, err)
		return out
	}
	floor, err := placement.DecodeFloor(decimal("bay/"+bay.String(), "floor"), "")
	require.NoError(t, err)
	require.Equal(t, placement.Floor{WheelsMM: placement.Wheels{FrontLeft: -1, FrontRight: 8, RearRight: 3.5}, FixtureMM: 9}, floor)
	car, err := placement.DecodeVehicle(decimal("dimensions/"+dimensions.String(), "vehicle"), "")
	require.NoError(t, err)
	require.Equal(t, 2680.0, car.WheelbaseMM)
	laser, err := placement.DecodeInstrument(decimal("instrument/"+instrument.String(), "instrument"), "")
	require.NoError(t, err)
	require.Equal(t, placement.Instrument{Kind: "laser distance meter", StandardUncertaintyMM: 1, CommonMM: 0.5}, laser)
	board, err := placement.DecodeFixture(decimal("fixture/"+fixture.String(), "fixture"), "")
	require.NoError(t, err)
	require.Equal(t, 800.0, board.HalfWidthMM)
}

func TestReadsForTheShell(t *testing.T) {
	t.Parallel()
	w := full(t)
	s := w.state()
	require.Equal(t, shop, s.ID())
	org, ok := s.Organisation()
	require.True(t, ok)
	require.Equal(t, register.Organisation{Name: "Demo Workshop North (invented)", Sort: register.Shop, Phone: "+00 555 0100"}, org)
	require.Equal(t, register.Listed{Organisation: org, Agreements: []stream.ID{}}, w.fold.Rules.Summary(s).Data)

	a, ok := s.Actor(technician)
	require.True(t, ok)
	require.Equal(t, stream.Actor{Member: technician, Org: shop, Roles: []stream.Role{stream.Technician}}, a)
	_, ok = s.Actor(id(99))
	require.False(t, ok)
	require.Len(t, s.Members(), 2)
	require.Equal(t, owner, s.Members()[0].ID)

	w.must(theOwner, "retire-member", good()["retire-member"])
	_, ok = w.state().Actor(technician)
	require.False(t, ok, "who is retired acts no more")
	m, ok := w.state().Member(technician)
	require.True(t, ok)
	require.False(t, m.Active)
	_, ok = s.Actor(technician)
	require.True(t, ok, "the earlier state is as it was")

	m.Roles[0] = stream.Owner
	again, _ := w.state().Member(technician)
	require.Equal(t, stream.Technician, again.Roles[0], "what was given out is a copy")

	require.Len(t, s.Bays(), 1)
	require.Len(t, s.Instruments(), 1)
	require.Len(t, s.Fixtures(), 1)
	require.Len(t, s.Dimensions(), 1)
	require.Len(t, s.Procedures(), 1)
	require.Empty(t, s.Agreements())
}

func TestRelation(t *testing.T) {
	t.Parallel()
	w := full(t)
	other := stream.Actor{Member: id(70), Org: desk, Roles: []stream.Role{stream.Specialist}}
	relation := func(a stream.Actor) stream.Relation { return w.fold.Rules.Relation(w.fold.State, a, nil) }
	listed := func() []stream.ID { return w.fold.Rules.Summary(w.fold.State).Data.(register.Listed).Agreements }
	require.Empty(t, w.fold.Rules.RelationNeeds(w.fold.State, other))
	require.Equal(t, stream.Own, relation(theOwner))
	require.Equal(t, stream.Own, relation(server))
	require.Equal(t, stream.Foreign, relation(other))
	w.must(theOwner, "make-agreement", good()["make-agreement"])
	require.Equal(t, stream.Agreed, relation(other))
	require.Equal(t, []stream.ID{desk}, listed())
	w.must(theOwner, "end-agreement", good()["end-agreement"])
	require.Equal(t, stream.Ended, relation(other))
	require.Empty(t, listed())
	w.must(theOwner, "make-agreement", good()["make-agreement"])
	require.Equal(t, stream.Agreed, relation(other), "an agreement can be made again")

	key, err := w.fold.Rules.Key(w.fold.State, stream.Command{})
	require.NoError(t, err)
	require.Equal(t, stream.Ref{Kind: stream.Register, ID: shop}, key)
}

func TestCompetences(t *testing.T) {
	t.Parallel()
	w := full(t)
	grant := func(sensor, expires string) {
		w.must(theOwner, "grant-competence", data(`{"member":"%s","sensor":"%s","expires":"%s"}`, technician, sensor, expires))
	}
	grant("front-camera", "2027-03-31")
	grant("front-radar", "2026-12-31")
	grant("front-camera", "2026-11-24")
	m, _ := w.state().Member(technician)
	require.Equal(t, []register.Competence{{Sensor: "front-camera", Expires: "2026-11-24"}, {Sensor: "front-radar", Expires: "2026-12-31"}},
		m.Competences, "the newest grant stands, also an earlier expiry: that is how one is withdrawn")
}

func TestView(t *testing.T) {
	t.Parallel()
	raw, err := json.Marshal(full(t).state().View(now))
	require.NoError(t, err)
	var v struct {
		Organisation struct{ Name string }
		Bays         map[string]struct{ Name string }
		Agreements   map[string]any
	}
	require.NoError(t, json.Unmarshal(raw, &v))
	require.Equal(t, "Bay 1", v.Bays[bay.String()].Name)
	require.NotNil(t, v.Agreements)
	require.NotContains(t, string(raw), "Invented Technician")
}
