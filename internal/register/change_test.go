package register_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/register"
	"readback/internal/stream"
)

// A change is a new version of the thing's fact: what it names is new, what it leaves out is as before.
func TestChangesAreInTheFacts(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		command string
		data    json.RawMessage // nil: that of good
		fact    string
		value   string
	}{
		{"change-organisation", nil, "organisation", `{"name":"Demo Workshop North & Sons (invented)","sort":"shop","phone":"+00 555 0177"}`},
		{"change-organisation", data(`{"phone":""}`), "organisation", `{"name":"Demo Workshop North (invented)","sort":"shop","phone":""}`},
		{"change-member", nil, "member/" + technician.String(),
			`{"name":` + string(sealed(`"Invented Technician-Newname"`)) + `,"roles":["technician","owner"],"competences":[],"active":true}`},
		{"change-member", data(`{"id":"%s","roles":["specialist"]}`, technician), "member/" + technician.String(),
			`{"name":` + string(sealed(`"Invented Technician"`)) + `,"roles":["specialist"],"competences":[],"active":true}`},
		{"revoke-competence", nil, "member/" + technician.String(),
			`{"name":` + string(sealed(`"Invented Technician"`)) + `,"roles":["technician"],"competences":[],"active":true}`},
		{"change-bay", nil, "bay/" + bay.String(), `{"name":"Bay 1 east","size_um":{"length":12500001,"width":6000000},"active":true}`},
		{"withdraw-survey", nil, "bay/" + bay.String(), `{"name":"Bay 1","active":true}`},
		{"change-instrument", nil, "instrument/" + instrument.String(), `{"name":"Laser old","instrument":{"kind":"laser distance meter","standard_uncertainty_um":1500},
			"certificate":{"number":"C-1","dated":"2026-01-10"},"due":"2027-01-10","active":true}`},
		{"change-fixture", data(`{"id":"%s","target":"T-CAM-09"}`, fixture), "fixture/" + fixture.String(),
			`{"name":"Stand 1","target":"T-CAM-09","fixture":{"kind":"board","half_width_um":800000,"carried":"slide"},"active":true}`},
		{"change-fixture", nil, "fixture/" + fixture.String(), `{"name":"Stand 1 left","target":"T-CAM-09","fixture":{"kind":"board","half_width_um":790000},"active":true}`},
		{"change-dimensions", data(`{"id":"%s","type":"Invented Hatchback 3"}`, dimensions), "dimensions/" + dimensions.String(),
			`{"type":"Invented Hatchback 3","vehicle":` + vehicleUM + `,"source":"measured on one car","active":true}`},
	} {
		w := ready(t, c.command)
		before := w.state()
		_, was := fact(t, w, c.fact)
		d := c.data
		if d == nil {
			d = good()[c.command]
		}
		w.must(theOwner, c.command, d)
		value, seq := fact(t, w, c.fact)
		require.JSONEq(t, c.value, value, "%s %s", c.command, d)
		require.Equal(t, w.fold.Seq, seq)
		_, still, _ := w.fold.Rules.Fact(before, c.fact)
		require.Equal(t, was, still, "the earlier state is as it was")
	}
}

// The organisation's name in lists is the one it has now.
func TestAChangedNameIsListed(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "change-organisation", data(`{"name":"Demo Workshop (invented)"}`))
	require.Equal(t, "Demo Workshop (invented)", w.fold.Rules.Summary(w.fold.State).Data.(register.Listed).Name)
}

// Whoever is owner no more keeps the register no more; whoever became one does.
func TestOwnersHandOver(t *testing.T) {
	t.Parallel()
	w := full(t)
	second := stream.Actor{Member: technician, Org: shop, Roles: []stream.Role{stream.Technician, stream.Owner}}
	w.must(theOwner, "change-member", good()["change-member"])
	w.must(second, "change-member", data(`{"id":"%s","roles":["technician"]}`, owner))
	_, err := w.do(theOwner, "add-bay", good()["add-bay"])
	require.Error(t, err)
	_, err = w.do(second, "retire-member", data(`{"member":"%s"}`, technician))
	require.Error(t, err, "the last owner stays")
	a, ok := w.state().Actor(owner)
	require.True(t, ok)
	require.Equal(t, []stream.Role{stream.Technician}, a.Roles)
}

// A name is free again when the thing that had it is retired or has another.
func TestNamesComeFree(t *testing.T) {
	t.Parallel()
	w := full(t)
	add := func(n int, name string) error {
		_, err := w.do(theOwner, "add-bay", data(`{"id":"%s","name":"%s"}`, id(n), name))
		return err
	}
	require.Error(t, add(22, "BAY 1"))
	require.NoError(t, add(22, "Bay 11"))
	w.must(theOwner, "change-bay", data(`{"id":"%s","name":"Bay one"}`, bay))
	require.NoError(t, add(23, "Bay 1"))
	w.must(theOwner, "retire", data(`{"kind":"bay","id":"%s"}`, id(23)))
	require.NoError(t, add(24, "Bay 1"))
	w.must(theOwner, "change-bay", data(`{"id":"%s","name":"BAY 1"}`, id(24))) // its own name in other letters
	_, err := w.do(theOwner, "add-instrument", json.RawMessage(`{"id":"`+id(33).String()+`","name":"Bay 11","instrument":{"kind":"steel tape","standard_uncertainty_um":800},"certificate":{"number":"C-2","dated":"2026-02-01"},"due":"2027-02-01"}`))
	require.NoError(t, err, "things of other kinds may have it")
}

func TestDue(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "survey-bay", good()["survey-bay"])
	w.must(theOwner, "add-instrument", good()["add-instrument"])
	w.must(theOwner, "grant-competence", good()["grant-competence"])
	w.must(theOwner, "grant-competence", data(`{"member":"%s","sensor":"front-radar","expires":"2027-01-10"}`, technician))
	want := []register.Due{
		{Kind: register.DueCompetence, ID: technician, Sensor: "front-radar", Day: "2027-01-10"},
		{Kind: register.DueInstrument, ID: instrument, Day: "2027-01-10"},
		{Kind: register.DueInstrument, ID: id(32), Day: "2027-02-01"},
		{Kind: register.DueCompetence, ID: technician, Sensor: "front-camera", Day: "2027-03-31"},
		{Kind: register.DueSurvey, ID: bay, Day: "2027-06-01"},
	}
	require.Equal(t, want, w.state().Due())
	raw, err := json.Marshal(w.state().View(now))
	require.NoError(t, err)
	var v struct{ Due []register.Due }
	require.NoError(t, json.Unmarshal(raw, &v))
	require.Equal(t, want, v.Due)

	w.must(theOwner, "withdraw-survey", good()["withdraw-survey"])
	w.must(theOwner, "retire", data(`{"kind":"instrument","id":"%s"}`, id(32)))
	w.must(theOwner, "retire-member", good()["retire-member"])
	require.Equal(t, want[1:2], w.state().Due(), "what is out of use runs out no more")
}

// Everything the register ever held is shown, the retired as such, and twice the same bytes.
func TestViewShowsTheRetired(t *testing.T) {
	t.Parallel()
	w := full(t)
	for kind, thing := range map[string]stream.ID{"bay": bay, "instrument": instrument, "fixture": fixture, "dimensions": dimensions} {
		w.must(theOwner, "retire", data(`{"kind":"%s","id":"%s"}`, kind, thing))
	}
	w.must(theOwner, "retire-member", good()["retire-member"])
	raw, err := json.Marshal(w.state().View(now))
	require.NoError(t, err)
	again, err := json.Marshal(w.state().View(now))
	require.NoError(t, err)
	require.Equal(t, string(raw), string(again))
	var v map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(raw, &v))
	for key, thing := range map[string]stream.ID{
		"members": technician, "bays": bay, "instruments": instrument, "fixtures": fixture, "dimensions": dimensions,
	} {
		var things map[stream.ID]struct{ Active *bool }
		require.NoError(t, json.Unmarshal(v[key], &things))
		require.NotNil(t, things[thing].Active, key)
		require.False(t, *things[thing].Active, key)
	}
	require.JSONEq(t, `[]`, string(v["due"]))
}
