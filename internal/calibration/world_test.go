package calibration

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"readback/internal/stream"
)

// id gives the nth id of the tests' invented world.
func id(n int) stream.ID { return uuid.MustParse(fmt.Sprintf("0193a000-0000-7000-8000-%012d", n)) }

var (
	calibrationID, jobID, shopID, deskID = id(1), id(2), id(3), id(4)
	bayID, fixtureID, dimensionsID       = id(5), id(6), id(7)
	laserID, levelID, ruleID             = id(8), id(9), id(10)
	otherDeskID                          = id(11)
	technician                           = stream.Actor{Member: id(20), Org: shopID, Roles: []stream.Role{stream.Technician}}
	specialist                           = stream.Actor{Member: id(21), Org: deskID, Roles: []stream.Role{stream.Specialist}}
	colleague                            = stream.Actor{Member: id(22), Org: deskID, Roles: []stream.Role{stream.Specialist}}
	owner                                = stream.Actor{Member: id(23), Org: shopID, Roles: []stream.Role{stream.Owner}}
	system                               = stream.Actor{Member: id(24), Org: shopID, Roles: []stream.Role{stream.System}}
	stranger                             = stream.Actor{Member: id(25), Org: otherDeskID, Roles: []stream.Role{stream.Specialist}}
	relief                               = stream.Actor{Member: id(26), Org: shopID, Roles: []stream.Role{stream.Technician}}
	leadID                               = id(27)
	morning                              = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
)

// world is one calibration with the facts around it, driven as the hub drives it.
type world struct {
	t     require.TestingT
	fold  *stream.Fold
	facts stream.Facts
	now   time.Time
	made  []stream.Entry
	next  int
}

func newWorld(t require.TestingT) *world {
	w := &world{t: t, fold: stream.NewFold(Rules{}, calibrationID), facts: stream.Facts{}, now: morning, next: 1000}
	w.fact(organisationKey(shopID), `{"name":"Quayside Motor Works","sort":"shop","phone":""}`)
	w.fact(organisationKey(deskID), `{"name":"Harbour Desk","sort":"desk","phone":""}`)
	for _, a := range []stream.Actor{technician, specialist, colleague, owner, stranger, relief} {
		proofs := `[{"sensor":"front-camera","expires":"2027-03-31"}]`
		if a.Member == owner.Member {
			proofs = `[]` // an owner needs none
		}
		w.fact(memberKey(a.Org, a.Member), `{"name":{"sealed":{"k":"`+shopID.String()+`","v":"eA"}},"roles":["`+string(a.Roles[0])+
			`"],"competences":`+proofs+`,"languages":["de","en"],"active":true}`)
	}
	w.fact(registerKey(shopID, "agreement/"+deskID.String()), `{"desk":"`+deskID.String()+`","ended":false}`)
	w.fact(registerKey(shopID, "bay/"+bayID.String()), `{"name":"Bay 2","floor":{"wheels_um":{"front_left":0,"front_right":2000,"rear_left":-1000,"rear_right":1000},"fixture_um":-4000},"surveyed":"2026-06-01","expires":"2027-06-01","active":true}`)
	w.fact(registerKey(shopID, "fixture/"+fixtureID.String()), `{"name":"Camera board","target":"T-CAM-07","fixture":{"kind":"board","half_width_um":800000,"carried":"stand"},"active":true}`)
	w.fact(registerKey(shopID, "dimensions/"+dimensionsID.String()), `{"type":"Windrow 3","vehicle":{"wheelbase_um":2680000,"front_track_um":1560000,"rear_track_um":1572000,"front_overhang_um":890000,"rear_overhang_um":760000,"hub_height_um":{"front":325000,"rear":325000}},"source":"measured","active":true}`)
	w.instrument(laserID, "Laser 1", `{"kind":"laser distance meter","standard_uncertainty_um":1000}`)
	w.instrument(levelID, "Level 1", `{"kind":"digital level","standard_uncertainty_udeg":60000}`)
	w.instrument(ruleID, "Rule 1", `{"kind":"steel rule","standard_uncertainty_um":500}`)
	w.fact(jobKey(jobID, "vehicle"), `{"dimensions":"`+dimensionsID.String()+`","steering":"left","sensors":["front-camera","front-radar"]}`)
	w.fact(jobKey(jobID, "alignment"), `{"rear_toe_udeg":{"left":200000,"right":-100000},"thrust_udeg":150000}`)
	w.fact(jobKey(jobID, "scan"), `{"when":"before","codes":[],"blocking":0}`)
	return w
}

// car sets the job's word on the car, with one thing otherwise than it should be.
func (w *world) car(otherwise string) {
	w.fact(jobKey(jobID, "vehicle"), `{"dimensions":"`+dimensionsID.String()+`","steering":"left","sensors":["front-camera","front-radar"],`+otherwise+`}`)
}

func (w *world) instrument(id stream.ID, name, value string) {
	w.fact(registerKey(shopID, "instrument/"+id.String()), `{"name":"`+name+`","instrument":`+value+`,"certificate":"C-1","due":"2027-01-31","active":true}`)
}

// fact sets a fact, as a new version of it if there is one already.
func (w *world) fact(key stream.FactKey, value string) {
	seq := w.facts[key].Seq + 1
	w.facts[key] = stream.Fact{Key: key, Seq: seq, Hash: sha256.Sum256(fmt.Appendf(nil, "%s %d", key, seq)), Value: json.RawMessage(value)}
}

func (w *world) state() *State { return w.fold.State.(*State) }

// try gives a command as it goes through the hub: admitted, sealed, its facts loaded, decided; and applied if accepted.
func (w *world) try(actor stream.Actor, command, data string) (stream.Entry, stream.Decision, error) {
	e, d, err := w.draft(actor, command, data)
	if err != nil {
		return e, d, err
	}
	require.NoError(w.t, w.fold.Apply(e))
	w.made = append(w.made, e)
	return e, d, nil
}

// draft is try without applying.
func (w *world) draft(actor stream.Actor, command, data string) (stream.Entry, stream.Decision, error) {
	w.next++
	cmd := stream.Command{ID: id(w.next), Base: w.fold.Seq, Type: command, Data: json.RawMessage(data)}
	admitted, seal, err := Rules{}.Admit(cmd)
	if err != nil {
		return stream.Entry{}, stream.Decision{}, err
	}
	cmd.Data = sealed(w.t, admitted, seal)
	keys, err := Rules{}.Needs(w.fold.State, actor, cmd)
	if err != nil {
		return stream.Entry{}, stream.Decision{}, err
	}
	facts := stream.Facts{}
	for _, k := range keys {
		if f, ok := w.facts[k]; ok {
			facts[k] = f
		}
	}
	e, d, err := w.fold.Draft(actor, cmd, nil, keys, facts, w.now)
	if e.Seq == 1 {
		e.Opens = &stream.Opens{Rules: stream.RulesVersion}
	}
	e.Hash = sha256.Sum256(fmt.Appendf(nil, "entry %d", e.Seq))
	return e, d, err
}

// sealed puts a sealed value in place of each named key.
func sealed(t require.TestingT, data json.RawMessage, keys []string) json.RawMessage {
	if len(keys) == 0 {
		return data
	}
	var doc map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(data, &doc))
	for _, k := range keys {
		doc[k] = json.RawMessage(`{"sealed":{"k":"` + jobID.String() + `","v":"c2VhbGVk"}}`)
	}
	out, err := json.Marshal(doc)
	require.NoError(t, err)
	return out
}

// do gives a command that must be accepted, a second after the one before.
func (w *world) do(actor stream.Actor, command, data string) stream.Entry {
	w.now = w.now.Add(time.Second)
	e, _, err := w.try(actor, command, data)
	require.NoError(w.t, err, "%s %s", command, data)
	return e
}

const sheetSetup = `{"sensor":"front-camera","datum":"front-bumper","datum_height_um":500000,"line":"thrust-line",` +
	`"distance_um":1102000,"height_um":1350000,` +
	`"positions":[{"name":"centre","lateral_um":0},{"name":"left","lateral_um":550000},{"name":"right","lateral_um":-550000}],` +
	`"tolerance":{"distance_um":5000,"lateral_um":5000,"height_um":4000,"yaw_udeg":400000},` +
	`"sensor_at_um":{"x":2200000,"y":0,"z":1310000}}`

func planned() string {
	l, h := laserID.String(), ruleID.String()
	return `[{"quantity":"span","from":"front-left-hub","to":"left-end","instrument":"` + l + `"},` +
		`{"quantity":"span","from":"front-right-hub","to":"right-end","instrument":"` + l + `"},` +
		`{"quantity":"span","from":"front-left-hub","to":"right-end","instrument":"` + l + `"},` +
		`{"quantity":"span","from":"front-right-hub","to":"left-end","instrument":"` + l + `"},` +
		`{"quantity":"span","from":"rear-left-hub","to":"right-end","instrument":"` + l + `"},` +
		`{"quantity":"span","from":"rear-right-hub","to":"left-end","instrument":"` + l + `"},` +
		`{"quantity":"centre-offset","instrument":"` + l + `"},` +
		`{"quantity":"end-height","to":"left-end","instrument":"` + h + `"},` +
		`{"quantity":"end-height","to":"right-end","instrument":"` + h + `"},` +
		`{"quantity":"level","instrument":"` + levelID.String() + `"}]`
}

func sheetData() string {
	return `{"setup":` + sheetSetup + `,"fixture":"` + fixtureID.String() + `","dimensions":"` + dimensionsID.String() +
		`","bay":"` + bayID.String() + `","source":{"title":"Front camera, static","dated":"2026-05-04","version":"7"},"limits":"stated","measure":` + planned() + `}`
}

// measured gives the planned readings at the position where the fixture stands, each off by so many micrometres or
// microdegrees; the first ones, the others are as expected plus a little, as real readings are.
func (w *world) measured(off ...int64) []Reading {
	return w.measuredAt(w.state().place.Position, off...)
}

// measuredAt is what is read if the fixture stands where that position would be.
func (w *world) measuredAt(position string, off ...int64) []Reading {
	sheet := w.state().sheet()
	var out []Reading
	for _, p := range sheet.Plan {
		if p.Name != position {
			continue
		}
		for i, r := range sheet.Measure {
			e := p.Readings[i]
			by := int64(300) // 0.3 mm, or 0.0003°
			if i%2 == 1 {
				by = -300
			}
			if i < len(off) {
				by += off[i]
			}
			if e.ExpectedUM != nil {
				v := *e.ExpectedUM + by
				r.ValueUM = &v
			} else {
				v := *e.ExpectedUdeg + by
				r.ValueUdeg = &v
			}
			out = append(out, r)
		}
	}
	return out
}

func readingsData(moved bool, readings []Reading) string {
	raw, _ := json.Marshal(map[string]any{"moved": moved, "readings": readings})
	return string(raw)
}

func closingData(readings []Reading) string {
	raw, _ := json.Marshal(map[string]any{"readings": readings})
	return string(raw)
}

// closing gives the two straight spans and the offset.
func (w *world) closing(off int64) []Reading {
	all := w.measured()
	out := []Reading{all[0], all[1], all[6]}
	v := *out[0].ValueUM + off
	out[0].ValueUM = &v
	return out
}

func (w *world) open() {
	w.do(technician, "open", `{"job":"`+jobID.String()+`","sensor":"front-camera"}`)
}

func (w *world) gates() {
	for _, g := range w.state().Gates() {
		w.do(technician, "record-gate", `{"gate":"`+g.Name+`","met":true,"evidence":"declared"}`)
	}
}

func (w *world) request() { w.gates(); w.do(technician, "request", `{}`) }

func (w *world) claim() { w.do(specialist, "claim", `{}`) }

func (w *world) issue() { w.do(technician, "issue-sheet", sheetData()) }

func (w *world) adopt() {
	w.do(specialist, "adopt-sheet", fmt.Sprintf(`{"sheet":%d}`, w.state().sheet().Number))
}

func (w *world) place() { w.do(technician, "report-readings", readingsData(true, w.measured())) }

func (w *world) lock() { w.do(technician, "lock", `{}`) }

func (w *world) freeze() { w.do(technician, "freeze", `{}`) }

func (w *world) close() { w.do(technician, "report-closing", closingData(w.closing(0))) }

func (w *world) fit() {
	n := w.instruct(`{"step":"fit-target"}`)
	w.finish(n, `"target":"T-CAM-07"`)
}

func (w *world) instruct(data string) int {
	w.do(specialist, "instruct", data)
	return len(w.state().steps)
}

// finish goes through a step's read-back, confirmation and doing.
func (w *world) finish(n int, said string) {
	w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,%s}`, n, said))
	w.do(specialist, "confirm", fmt.Sprintf(`{"step":%d}`, n))
	w.do(technician, "done", fmt.Sprintf(`{"step":%d}`, n))
}

// guided is a claimed calibration with its sheet adopted and the target fitted.
func (w *world) guided() {
	w.open()
	w.issue()
	w.request()
	w.claim()
	w.adopt()
	w.fit()
}

// held goes from the fixture standing anywhere to closing readings that hold.
func (w *world) held() { w.place(); w.lock(); w.freeze(); w.close() }

func (w *world) start() {
	w.do(technician, "bay-clear", `{}`)
	w.do(specialist, "go", `{}`)
}

func (w *world) leg() {
	w.held()
	w.start()
	w.do(specialist, "end-leg", `{"outcome":"completed"}`)
}

func (w *world) goTo(position string) {
	n := w.instruct(`{"step":"go-to-position","position":"` + position + `"}`)
	says := w.state().steps[n-1].Instruction
	w.finish(n, fmt.Sprintf(`"position":"%s","value_um":%d,"side":"%s"`, says.Position, *says.ValueUM, says.Side))
}

// snapshot is a state's content as text, to see whether it is ever changed.
func snapshot(t require.TestingT, s *State) string {
	raw, err := json.Marshal(s.View(morning))
	require.NoError(t, err)
	return fmt.Sprintf("%s %+v %v", raw, s.place, maps.Keys(s.held) != nil)
}

// replaced replaces a part of a text that must be there.
func replaced(t require.TestingT, text, was, is string) string {
	require.Contains(t, text, was)
	return strings.Replace(text, was, is, 1)
}

func presentKeys(t require.TestingT, data string, keys []string) (present []string) {
	var doc map[string]json.RawMessage
	require.NoError(t, json.Unmarshal([]byte(data), &doc))
	for _, k := range keys {
		if _, there := doc[k]; there {
			present = append(present, k)
		}
	}
	return present
}

func keys[V any](m map[string]V) iter.Seq[string] { return maps.Keys(m) }
