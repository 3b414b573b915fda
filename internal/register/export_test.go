package register_test

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/register"
	"readback/internal/stream"
)

// unsealed is the way back from sealed.
func unsealed(s stream.Sealed) (name string, ok bool) {
	plain, err := hex.DecodeString(strings.TrimPrefix(s.Sealed.V, "c2VhbGVk"))
	return name, err == nil && json.Unmarshal(plain, &name) == nil
}

func export(t require.TestingT, s *register.State) string {
	raw, err := register.Export(s, unsealed)
	require.NoError(t, err)
	return string(raw)
}

// allFacts are the values of all facts that a register gives.
func allFacts(t require.TestingT, s *register.State) map[string]string {
	names := []string{"organisation"}
	list := func(kind string, id stream.ID) { names = append(names, kind+"/"+id.String()) }
	for _, m := range s.Members() {
		list("member", m.ID)
	}
	if _, _, ok := s.Hours(); ok {
		names = append(names, "hours")
	}
	for _, b := range s.Bays() {
		list("bay", b.ID)
	}
	for _, i := range s.Instruments() {
		list("instrument", i.ID)
	}
	for _, f := range s.Fixtures() {
		list("fixture", f.ID)
	}
	for _, d := range s.Dimensions() {
		list("dimensions", d.ID)
	}
	for _, p := range s.Procedures() {
		list("procedure", p.ID)
	}
	for _, a := range s.Agreements() {
		list("agreement", a.Desk)
	}
	facts := map[string]string{}
	for _, name := range names {
		value, _, ok := register.Rules{}.Fact(s, name)
		require.True(t, ok, name)
		facts[name] = string(value)
	}
	return facts
}

// What is exported and imported gives the same facts, byte for byte, and is exported as the same document.
func TestExportIsTheInverseOfImport(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		w := full(t)
		for range rapid.IntRange(0, 30).Draw(rt, "length") {
			command, d := drawCommand(rt)
			_, err := w.do(server, command, d) // refused or not
			if f := fault.Of(err); err != nil {
				require.NotContains(rt, []fault.Slug{fault.InternalFault, fault.Malformed}, f.Slug, "%s %s: %v", command, d, err)
			}
		}
		doc := export(rt, w.state())
		got, err := register.Import([]byte(doc), counter())
		require.NoError(rt, err, doc)
		require.Empty(rt, got.SignIns)
		again := give(t, got)
		require.Equal(rt, allFacts(rt, w.state()), allFacts(rt, again.state()), doc)
		require.Equal(rt, doc, export(rt, again.state()))
	})
}

// drawCommand draws a command that is well formed, on few ids and names so that it often concerns something.
func drawCommand(rt *rapid.T) (string, json.RawMessage) {
	pick := func(label string, first, count int) stream.ID {
		return id(first + rapid.IntRange(0, count-1).Draw(rt, label))
	}
	// Of a kind of thing the first id is the one that full has given.
	member, bay, instrument := pick("member", 11, 4), pick("bay", 21, 4), pick("instrument", 31, 4)
	fixture, sheet, desk := pick("fixture", 41, 4), pick("sheet", 51, 4), pick("desk", 2, 1)
	name, err := json.Marshal(rapid.SampledFrom([]string{"One", "Two", "Three", "a \"quoted\" <b> & é \\u0001", "\u2028line"}).Draw(rt, "name"))
	require.NoError(rt, err)
	um := func(label string, low, high int64) int64 { return rapid.Int64Range(low, high).Draw(rt, label) }
	day := fmt.Sprintf("2027-%02d-%02d", rapid.IntRange(1, 12).Draw(rt, "month"), rapid.IntRange(1, 28).Draw(rt, "day"))
	sensor := rapid.SampledFrom([]string{"front-camera", "front-radar", "lidar"}).Draw(rt, "sensor")
	roles, err := json.Marshal(rapid.SliceOfNDistinct(rapid.SampledFrom([]stream.Role{stream.Owner, stream.Technician, stream.Specialist}), 1, 3,
		rapid.ID).Draw(rt, "roles"))
	require.NoError(rt, err)
	languages, err := json.Marshal(rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"de", "en", "fr", "nds"}), 0, 3, rapid.ID).Draw(rt, "languages"))
	require.NoError(rt, err)
	values := fmt.Sprintf(`{"kind":"laser distance meter","standard_uncertainty_um":%d,"common_um":%d}`, um("u", 100, 50_000), um("common", 0, 9_999))
	if rapid.Bool().Draw(rt, "level") {
		values = fmt.Sprintf(`{"kind":"digital level","standard_uncertainty_udeg":%d}`, um("u", 1_000, 999_999))
	}
	board := fmt.Sprintf(`{"kind":"board","half_width_um":%d,"end_ahead_of_target_um":%d}`, um("half", 100_000, 2_000_000), um("ahead", -200_000, 200_000))
	car := strings.Replace(vehicleUM, "2680000", fmt.Sprint(um("wheelbase", 2_000_000, 3_500_000)), 1)
	floor := strings.Replace(floorUM, "8000", fmt.Sprint(um("floor", -30_000, 30_000)), 1)
	size := fmt.Sprintf(`{"length":%d,"width":%d}`, um("length", 2_000_000, 60_000_000), um("width", 2_000_000, 60_000_000))
	certificate := `{"number":"C-1","dated":"2026-01-10"}`

	method, edition := pick("method", 71, 4), rapid.IntRange(1, 3).Draw(rt, "edition")
	title := rapid.SampledFrom([]string{"Invented camera", "Invented radar", "Third"}).Draw(rt, "title")
	hook, reader := pick("webhook", 61, 4), pick("interface", 81, 4)
	events := rapid.SampledFrom([]string{"job", "register"}).Draw(rt, "events")
	kinds := map[string]stream.ID{"bay": bay, "instrument": instrument, "fixture": fixture, "dimensions": sheet, "procedure": method, "webhook": hook, "interface": reader}
	kind := rapid.SampledFrom([]string{"bay", "instrument", "fixture", "dimensions", "procedure", "webhook", "interface"}).Draw(rt, "kind")
	all := map[string]json.RawMessage{
		"change-organisation": data(`{"name":%s}`, name),
		"add-member":          data(`{"id":"%s","name":%s,"roles":%s}`, member, name, roles),
		"change-member":       data(`{"id":"%s","name":%s,"roles":%s,"languages":%s}`, member, name, roles, languages),
		"grant-competence":    data(`{"member":"%s","sensor":"%s","expires":"%s"}`, member, sensor, day),
		"revoke-competence":   data(`{"member":"%s","sensor":"%s"}`, member, sensor),
		"go-on-duty":          data(`{"member":"%s"}`, member),
		"go-off-duty":         data(`{"member":"%s"}`, member),
		"set-opening-hours":   data(`{"zone":"Europe/Berlin","week":[{"day":"monday","open":[{"from":"08:00","to":"%02d:30"}]}]}`, 9+um("until", 0, 12)),
		"retire-member":       data(`{"member":"%s"}`, member),
		"make-agreement":      data(`{"desk":"%s"}`, desk),
		"end-agreement":       data(`{"desk":"%s"}`, desk),
		"add-bay":             data(`{"id":"%s","name":%s,"size_um":%s}`, bay, name, size),
		"change-bay":          data(`{"id":"%s","name":%s,"size_um":%s}`, bay, name, size),
		"survey-bay":          data(`{"bay":"%s","floor":%s,"surveyed":"2026-06-01","expires":"%s"}`, bay, floor, day),
		"withdraw-survey":     data(`{"bay":"%s"}`, bay),
		"add-instrument":      data(`{"id":"%s","name":%s,"instrument":%s,"certificate":%s,"due":"%s"}`, instrument, name, values, certificate, day),
		"change-instrument":   data(`{"id":"%s","name":%s,"instrument":%s}`, instrument, name, values),
		"renew-instrument":    data(`{"instrument":"%s","certificate":%s,"due":"%s"}`, instrument, certificate, day),
		"add-fixture":         data(`{"id":"%s","name":%s,"target":"T-1","fixture":%s}`, fixture, name, board),
		"change-fixture":      data(`{"id":"%s","name":%s,"fixture":%s}`, fixture, name, board),
		"add-dimensions":      data(`{"id":"%s","type":%s,"vehicle":%s,"source":%s}`, sheet, name, car, name),
		"change-dimensions":   data(`{"id":"%s","vehicle":%s,"source":%s}`, sheet, car, name),
		"add-procedure":       data(`{"id":"%s","procedure":%s}`, method, methodOf(title, edition)),
		"revise-procedure":    data(`{"id":"%s","procedure":%s}`, method, methodOf(title, edition)),
		"add-webhook":         data(`{"id":"%s","url":"https://hooks.example/a","events":["%s.*"]}`, hook, events),
		"change-webhook":      data(`{"id":"%s","events":["%s.*"]}`, hook, events),
		"add-interface":       data(`{"id":"%s","name":%s,"bay":"%s"}`, reader, name, bay),
		"change-interface":    data(`{"id":"%s","name":%s}`, reader, name),
		"retire":              data(`{"kind":"%s","id":"%s"}`, kind, kinds[kind]),
	}
	commands := register.Commands()
	command := rapid.SampledFrom(commands).Filter(func(c string) bool { return c != "open-organisation" }).Draw(rt, "command")
	return command, all[command]
}

// The examples have decimals, ids left out and passwords: exported they differ in nothing else.
func TestExportOfTheExample(t *testing.T) {
	t.Parallel()
	got, err := register.Import(example(t, "shop.json"), counter())
	require.NoError(t, err)
	w := give(t, got)
	var was, is any
	require.NoError(t, json.Unmarshal(example(t, "shop.json"), &was))
	exported := export(t, w.state())
	require.NoError(t, json.Unmarshal([]byte(exported), &is))
	require.NotContains(t, exported, "password")
	require.NotContains(t, exported, "sign_in")

	doc := was.(map[string]any)
	doc["members"].([]any)[1].(map[string]any)["id"] = w.state().Members()[1].ID.String()
	doc["bays"].([]any)[1].(map[string]any)["id"] = w.state().Bays()[1].ID.String()
	for _, m := range doc["members"].([]any) {
		delete(m.(map[string]any), "sign_in")
	}
	require.Equal(t, was, is)
}

func TestExportNeedsEveryName(t *testing.T) {
	t.Parallel()
	_, err := register.Export(full(t).state(), func(stream.Sealed) (string, bool) { return "", false })
	require.True(t, fault.Is(err, fault.NotHere))
	require.Contains(t, fault.Of(err).Detail, owner.String())
	_, err = register.Export(newWorld(t).state(), unsealed)
	require.True(t, fault.Is(err, fault.NotHere), "not before it is opened")
}

func TestImportOfTheRetired(t *testing.T) {
	t.Parallel()
	w := full(t)
	w.must(theOwner, "add-member", data(`{"id":"%s","name":"Former Owner","roles":["owner"]}`, id(10)))
	w.must(theOwner, "retire-member", data(`{"member":"%s"}`, id(10)))
	w.must(theOwner, "retire", data(`{"kind":"bay","id":"%s"}`, bay))
	w.must(theOwner, "add-bay", data(`{"id":"%s","name":"Bay 1"}`, id(20))) // before the retired one in the order of ids
	w.must(theOwner, "make-agreement", good()["make-agreement"])
	w.must(theOwner, "end-agreement", good()["end-agreement"])
	doc := export(t, w.state())

	got, err := register.Import([]byte(doc), counter())
	require.NoError(t, err)
	require.Equal(t, allFacts(t, w.state()), allFacts(t, give(t, got).state()))

	for _, c := range []struct{ from, to, field string }{
		{`"retired": true`, `"retired": "yes"`, "members[0].retired"},
		{`"retired": true`, `"retired": true, "sign_in": {"login": "former@north.example", "password": "demo former owner"}`, "members[0].sign_in"},
		{`"name": "Bay 1"`, `"retired": false, "name": "Bay 1"`, ""},
		{`"ended": true`, `"ended": 1`, "agreements[0].ended"},
	} {
		require.Contains(t, doc, c.from)
		_, err := register.Import([]byte(strings.Replace(doc, c.from, c.to, 1)), counter())
		if c.field == "" {
			require.NoError(t, err, c.to)
			continue
		}
		require.True(t, fault.Is(err, fault.InvalidInput), c.to)
		require.Equal(t, c.field, fault.Of(err).Fields[0].Name)
	}

	// Both bays in use: one name too many. No owner in use: nobody to keep the register.
	at := strings.Index(doc, `"bays"`)
	_, err = register.Import([]byte(doc[:at]+strings.Replace(doc[at:], `"retired": true`, `"retired": false`, 1)), counter())
	require.Equal(t, "bays[1].name", fault.Of(err).Fields[0].Name)
	_, err = register.Import([]byte(strings.Replace(doc, `"roles": [
        "owner"
      ]
    },`, `"roles": ["technician"]},`, 1)), counter())
	require.Equal(t, "members[0].retired", fault.Of(err).Fields[0].Name)
}

// The kept example of an export is imported and exported again as it stands, byte for byte: what older versions wrote
// stays good.
func TestTheExampleOfAnExport(t *testing.T) {
	t.Parallel()
	doc := string(example(t, "grown.json"))
	got, err := register.Import([]byte(doc), counter())
	require.NoError(t, err)
	s := give(t, got).state()
	require.Equal(t, doc, export(t, s))
	require.Equal(t, 3, strings.Count(doc, `"retired": true`))
	require.Equal(t, []register.Agreement{{Desk: s.Agreements()[0].Desk, Ended: true}, {Desk: s.Agreements()[1].Desk}}, s.Agreements())
}
