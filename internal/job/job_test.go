package job_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
	"readback/internal/trail"
)

func fact(t *testing.T, w *world, name string) (string, uint64) {
	t.Helper()
	value, seq, ok := w.fold.Rules.Fact(w.fold.State, name)
	require.True(t, ok, name)
	return string(value), seq
}

func TestOpening(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	e := w.must(technician, "open-job", opening)
	require.Equal(t, "job-opened", e.Type)
	require.Len(t, e.Facts, 3, "who opened it, for which shop, with which sheet: the register's word stands in the entry")
	for _, plain := range []string{sampleVIN, "INV 100", "order 7"} {
		require.NotContains(t, string(e.Command.Data), plain)
	}
	v, ok := w.state().Vehicle()
	require.True(t, ok)
	require.EqualValues(t, "holds", v.VINCheck)
	require.Equal(t, shop, w.state().Shop())
	value, seq := fact(t, w, "vehicle")
	require.JSONEq(t, `{"dimensions":"`+sheet.String()+`","steering":"left","sensors":["front-camera"],"missing":[]}`, value)
	require.EqualValues(t, 1, seq)
	for _, name := range []string{"alignment", "scan", "", "vehicle/1"} {
		_, _, ok := w.fold.Rules.Fact(w.fold.State, name)
		require.False(t, ok, name)
	}
}

// A genuine number from outside North America: position 9 is a filler there. See testdata/vin.
func TestFailedVINCheckOnlyWarns(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(owner, "open-job", strings.Replace(opening, sampleVIN, "WP0ZZZ99ZTS392124", 1))
	v, _ := w.state().Vehicle()
	require.EqualValues(t, "fails", v.VINCheck)
}

func TestNoneFitted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.must(technician, "open-job", `{"vin":"`+sampleVIN+`","mileage_km":0,"steering":"right","causes":["glass"],
		"sensors":{"affected":[],"not_affected":[],"none_fitted":true},"customer_told":false}`)
	value, _ := fact(t, w, "vehicle")
	require.JSONEq(t, `{"steering":"right","sensors":[],"missing":["dimensions"]}`, value)
}

func TestAlignmentThatCounts(t *testing.T) {
	t.Parallel()
	w := opened(t)
	attach := func(when string, left, right int) {
		raw, _ := json.Marshal(map[string]any{"when": when, "steering_zero_done": true, "wheels": map[string]any{
			"rear_left": map[string]int{"toe_udeg": left}, "rear_right": map[string]int{"toe_udeg": right}}})
		w.must(technician, "attach-alignment", string(raw))
	}
	expect := func(want string, seq uint64) {
		t.Helper()
		value, at := fact(t, w, "alignment")
		require.JSONEq(t, want, value)
		require.Equal(t, seq, at)
	}
	// 0.20 and -0.10 degrees make 0.15 to the right: common practice, no source.
	attach("before", 200000, -100000)
	expect(`{"rear_toe_udeg":{"left":200000,"right":-100000},"thrust_udeg":150000}`, 2)
	attach("after", 100000, 90000)
	expect(`{"rear_toe_udeg":{"left":100000,"right":90000},"thrust_udeg":5000}`, 3)
	attach("before", 300000, 0) // attached late: what was measured after the work still counts
	expect(`{"rear_toe_udeg":{"left":100000,"right":90000},"thrust_udeg":5000}`, 3)
	attach("after", 80000, 80000)
	expect(`{"rear_toe_udeg":{"left":80000,"right":80000},"thrust_udeg":0}`, 5)
	require.Len(t, w.state().Alignments(), 4, "nothing is overwritten")
}

func TestScan(t *testing.T) {
	t.Parallel()
	w := opened(t)
	w.must(technician, "record-scan", good["record-scan"])
	value, seq := fact(t, w, "scan")
	require.JSONEq(t, `{"when":"before","codes":[{"code":"P0805-11","status":47,"blocking":true},{"code":"C0051","status":8,"blocking":false}],"blocking":1}`, value)
	require.EqualValues(t, 2, seq)
	w.must(technician, "record-scan", `{"when":"after","codes":[],"source":"typed"}`)
	value, seq = fact(t, w, "scan")
	require.JSONEq(t, `{"when":"after","codes":[],"blocking":0}`, value)
	require.EqualValues(t, 3, seq)
	require.Len(t, w.state().Scans(), 2)
}

func TestNote(t *testing.T) {
	t.Parallel()
	w := opened(t)
	e := w.must(technician, "note", good["note"])
	require.NotContains(t, string(e.Command.Data), "Customer")
	n := w.state().Notes()
	require.Len(t, n, 1)
	require.Equal(t, technician.Member, n[0].By.Member)
}

func TestRelationAndKey(t *testing.T) {
	t.Parallel()
	w := opened(t)
	relation := func(a stream.Actor) stream.Relation { return w.fold.Rules.Relation(w.fold.State, a, nil) }
	require.Equal(t, stream.Own, relation(technician))
	require.Equal(t, stream.Own, relation(stream.Actor{Roles: []stream.Role{stream.System}}))
	require.Equal(t, stream.Foreign, relation(stream.Actor{Member: id(70), Org: desk, Roles: []stream.Role{stream.Specialist}}))
	require.Empty(t, w.fold.Rules.RelationNeeds(w.fold.State, technician))
	key, err := w.fold.Rules.Key(w.fold.State, stream.Command{})
	require.NoError(t, err)
	require.Equal(t, stream.Ref{Kind: stream.Job, ID: visit}, key)
}

func TestWhatListsAndClientsSee(t *testing.T) {
	t.Parallel()
	w := opened(t)
	w.must(technician, "record-scan", good["record-scan"])
	sum := w.fold.Rules.Summary(w.fold.State)
	require.Equal(t, shop, sum.Org)
	raw, err := json.Marshal(sum.Data)
	require.NoError(t, err)
	require.JSONEq(t, `{"vin_check":"holds","mileage_km":48210,"causes":["glass","alignment"],"sensors":{"affected":["front-camera"],
		"not_affected":["rear-camera"],"none_fitted":false},"missing":[],"aligned":false,"scanned":true,"blocking":1}`, string(raw))
	raw, err = json.Marshal(w.state().View(now))
	require.NoError(t, err)
	require.Contains(t, string(raw), `"notes":[]`)
	require.NotContains(t, string(raw), sampleVIN)
}

func TestBadInput(t *testing.T) {
	t.Parallel()
	change := func(from, to string) string {
		require.Contains(t, opening, from)
		return strings.Replace(opening, from, to, 1)
	}
	for _, c := range []struct{ command, data, field string }{
		{"open-job", `[]`, "data"},
		{"open-job", change(sampleVIN, "1G4AH59H45G11834"), "data.vin"},
		{"open-job", change(sampleVIN, "1G4AH59H45G11834O"), "data.vin"},
		{"open-job", change(sampleVIN, "00000000000000000"), "data.vin"},
		{"open-job", change(`"vin":`, `"vin_check":"holds","vin":`), "data.vin_check"},
		{"open-job", change(`"INV 100"`, `"INV;100"`), "data.plate"},
		{"open-job", change(`"INV 100"`, `"- -"`), "data.plate"},
		{"open-job", change(`"INV 100"`, `""`), "data.plate"},
		{"open-job", change(`48210`, `-1`), "data.mileage_km"},
		{"open-job", change(`48210`, `5000001`), "data.mileage_km"},
		{"open-job", change(`48210`, `48210.5`), "data.mileage_km"},
		{"open-job", change(`48210`, `null`), "data.mileage_km"},
		{"open-job", change(`"left"`, `"driver"`), "data.steering"},
		{"open-job", change(sheet.String(), strings.ReplaceAll(sheet.String(), "-", "")), "data.dimensions"},
		{"open-job", `{}`, "data.plate"},
		{"open-job", `{"mileage_km":1,"causes":["glass"],"steering":"left"}`, "data.plate"},
		{"describe-vehicle", `{}`, "data.vin"},
		{"describe-vehicle", `{"causes":["glass"],"steering":"left"}`, "data.causes"},
		{"describe-vehicle", `{"vin":"1G4AH59H45G11834"}`, "data.vin"},
		{"describe-vehicle", `{"mileage_km":null}`, "data.mileage_km"},
		{"describe-vehicle", `{"steering":"left","model_year":{}}`, "data.model_year"},
		{"describe-work", `{}`, "data.causes"},
		{"describe-work", `{"causes":[]}`, "data.causes"},
		{"describe-work", `{"customer_told":true,"sensors":{"affected":[],"not_affected":[],"none_fitted":false}}`, "data.sensors.none_fitted"},
		{"withdraw-job", `{"cause":"bored","reason":"x"}`, "data.cause"},
		{"withdraw-job", `{"cause":"wrong-car","reason":" "}`, "data.reason"},
		{"withdraw-job", `{"cause":"wrong-car"}`, "data.reason"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], `"steering_zero_done"`, `"stated_thrust":{"udeg":150000,"positive":"left"},"steering_zero_done"`, 1), "data.stated_thrust"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], `"steering_zero_done"`, `"stated_thrust":{"udeg":150000},"steering_zero_done"`, 1), "data.stated_thrust.positive"},
		{"open-job", change(`"glass",`, `"glas",`), "data.causes[0]"},
		{"open-job", change(`"glass",`, `"alignment",`), "data.causes[1]"},
		{"open-job", change(`["glass","alignment"]`, `[]`), "data.causes"},
		{"open-job", change(`["front-camera"]`, `["front camera"]`), "data.sensors.affected[0]"},
		{"open-job", change(`["rear-camera"]`, `["front-camera"]`), "data.sensors.not_affected[0]"},
		{"open-job", change(`"none_fitted":false`, `"none_fitted":true`), "data.sensors.none_fitted"},
		{"open-job", change(`"affected":["front-camera"],"not_affected":["rear-camera"]`, `"affected":[],"not_affected":[]`), "data.sensors.none_fitted"},
		{"open-job", change(`"customer_told":true`, `"customer_told":"yes"`), "data.customer_told"},
		{"open-job", change(`"order 7"`, `"order\u00007"`), "data.customer_reference"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], "before", "during", 1), "data.when"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], `"rear_right":{"toe_udeg":-100000}`, `"rear_right":{}`, 1), "data.wheels.rear_right.toe_udeg"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], "200000", "5000001", 1), "data.wheels.rear_left.toe_udeg"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], "200000", "0.2", 1), "data.wheels.rear_left.toe_udeg"},
		{"attach-alignment", strings.Replace(good["attach-alignment"], `"steering_zero_done":false`, `"thrust_udeg":1,"steering_zero_done":false`, 1), "data.thrust_udeg"},
		{"record-scan", strings.Replace(good["record-scan"], "P0805-11", "P0805-1", 1), "data.codes[0].code"},
		{"record-scan", strings.Replace(good["record-scan"], "C0051", "P0805-11", 1), "data.codes[1].code"},
		{"record-scan", strings.Replace(good["record-scan"], "47", "256", 1), "data.codes[0].status"},
		{"record-scan", strings.Replace(good["record-scan"], "pasted", "guessed", 1), "data.source"},
		{"note", `{"text":" \n "}`, "data.text"},
		{"note", `{}`, "data.text"},
		{"note", `{"text":"` + strings.Repeat("x", 2001) + `"}`, "data.text"},
	} {
		_, _, err := job.Rules{}.Admit(stream.Command{Type: c.command, Data: json.RawMessage(c.data)})
		require.Truef(t, fault.Is(err, fault.InvalidInput), "%s %s: %v", c.command, c.data, err)
		f := fault.Of(err).Fields
		require.Equal(t, c.field, f[0].Name, "%s %s", c.command, c.data)
		require.NotEmpty(t, f[0].Want)
		require.Len(t, f, 1, "one fault, said once: %s %s", c.command, c.data)
	}
	_, _, err := job.Rules{}.Admit(stream.Command{Type: "close-job", Data: json.RawMessage(`{}`)})
	require.True(t, fault.Is(err, fault.UnknownType))
	_, _, err = job.Rules{}.Admit(stream.Command{Type: "note", Data: json.RawMessage(`{"text":`)})
	require.True(t, fault.Is(err, fault.Malformed))
}

func FuzzAdmit(f *testing.F) {
	for command, data := range good {
		f.Add(command, []byte(data))
	}
	f.Add("note", []byte(`{"text":"\ud800"}`))
	f.Add("record-scan", []byte(`{"when":"after","codes":[{"code":"U3FFF","status":1e2,"blocking":false}],"source":"typed"}`))
	f.Fuzz(func(t *testing.T, command string, data []byte) {
		admitted, seal, err := job.Rules{}.Admit(stream.Command{Type: command, Data: data})
		if err != nil {
			require.NotEqual(t, fault.Internal, fault.Of(err).Kind(), err)
			return
		}
		_, err = trail.Canonical(admitted)
		require.NoError(t, err, "%s", admitted)
		var keys map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(admitted, &keys))
		for _, key := range seal {
			require.Contains(t, keys, key)
		}
	})
}

// What was given out stays as it was, whatever comes after.
func TestStatesNeverChange(t *testing.T) {
	t.Parallel()
	look := func(w *world) string {
		raw, err := json.Marshal(w.state().View(now))
		require.NoError(t, err)
		facts := ""
		for _, name := range []string{"vehicle", "alignment", "scan"} {
			value, seq, ok := w.fold.Rules.Fact(w.state(), name)
			facts += string(value) + string(rune(seq)) + map[bool]string{true: "+", false: "-"}[ok]
		}
		return string(raw) + facts
	}
	rapid.Check(t, func(rt *rapid.T) {
		w := opened(t)
		states, seen := []stream.State{w.fold.State}, []string{look(w)}
		for _, command := range rapid.SliceOfN(rapid.SampledFrom([]string{"attach-alignment", "record-scan", "describe-vehicle", "describe-work", "note"}), 1, 12).Draw(rt, "commands") {
			data := good[command]
			if rapid.Bool().Draw(rt, "after") {
				data = strings.Replace(data, `"before"`, `"after"`, 1)
			}
			w.must(technician, command, data)
			states, seen = append(states, w.fold.State), append(seen, look(w))
		}
		for i := range states {
			w.fold.State = states[i]
			require.Equal(rt, seen[i], look(w))
		}
		// Two futures of one past do not see each other.
		w.fold.State = states[0]
		require.Equal(rt, seen[0], look(w))
	})
}
