package register_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/stream"
)

// bench is a calibration beside a register, driven by both kinds' own rules: what the calibration knows of the shop it
// has from the register's facts.
type bench struct {
	shop  *world
	cal   *stream.Fold
	job   stream.Facts
	now   time.Time
	count int
}

// The calibration's technician, and a level for the yaw and tilt; the rest is of full.
var (
	calibrationID, jobID = id(61), id(62)
	level                = id(39)
	theTechnician        = stream.Actor{Member: technician, Org: shop, Roles: []stream.Role{stream.Technician}}
)

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{shop: full(t), cal: stream.NewFold(calibration.Rules{}, calibrationID), job: stream.Facts{}, now: now}
	b.shop.must(theOwner, "survey-bay", good()["survey-bay"])
	b.shop.must(theOwner, "grant-competence", good()["grant-competence"])
	b.shop.must(theOwner, "add-instrument", data(`{"id":"%s","name":"Level","instrument":{"kind":"digital level","standard_uncertainty_udeg":60000},"certificate":{"number":"C-3","dated":"2026-01-10"},"due":"2027-01-10"}`, level))
	ref := stream.Ref{Kind: stream.Job, ID: jobID}
	for name, value := range map[string]json.RawMessage{
		"vehicle": data(`{"dimensions":"%s","steering":"left","sensors":["front-camera"]}`, dimensions),
	} {
		key := stream.FactKey{Stream: ref, Name: name}
		b.job[key] = stream.Fact{Key: key, Seq: 1, Hash: stream.Hash{1}, Value: value}
	}
	return b
}

func (b *bench) do(command string, d json.RawMessage) (stream.Entry, error) {
	b.shop.t.Helper()
	b.count++
	b.now = b.now.Add(time.Second)
	cmd := stream.Command{ID: id(7000 + b.count), Base: b.cal.Seq, Type: command, Data: d}
	admitted, seals, err := b.cal.Rules.Admit(cmd)
	if err != nil {
		return stream.Entry{}, err
	}
	cmd.Data = seal(b.shop.t, admitted, seals)
	keys, err := b.cal.Rules.Needs(b.cal.State, theTechnician, cmd)
	require.NoError(b.shop.t, err)
	facts := stream.Facts{}
	for _, key := range keys {
		f, ok := b.job[key]
		if key.Stream == b.shop.fold.Ref {
			f, ok = b.shop.fold.Fact(key.Name)
		}
		if ok {
			facts[key] = f
		}
	}
	e, _, err := b.cal.Draft(theTechnician, cmd, nil, keys, facts, b.now)
	if err != nil {
		return stream.Entry{}, err
	}
	if e.Seq == 1 {
		e.Opens = &stream.Opens{Rules: stream.RulesVersion}
	}
	e.Hash = stream.Hash{byte(e.Seq)}
	return e, b.cal.Apply(e)
}

func (b *bench) must(command string, d json.RawMessage) stream.Entry {
	b.shop.t.Helper()
	e, err := b.do(command, d)
	require.NoError(b.shop.t, err, "%s %s", command, d)
	return e
}

// measure is the sheet's readings, without values.
var measure = func() []map[string]any {
	var all []map[string]any
	add := func(instrument stream.ID, quantity, from, to string) {
		r := map[string]any{"quantity": quantity, "instrument": instrument}
		if from != "" {
			r["from"] = from
		}
		if to != "" {
			r["to"] = to
		}
		all = append(all, r)
	}
	for _, s := range []string{"front-left left", "front-right right", "front-left right", "front-right left", "rear-left right", "rear-right left"} {
		hub, end, _ := strings.Cut(s, " ")
		add(instrument, "span", hub+"-hub", end+"-end")
	}
	add(instrument, "centre-offset", "", "")
	add(instrument, "end-height", "", "left-end")
	add(instrument, "end-height", "", "right-end")
	add(level, "level", "", "")
	return all
}()

// placed goes as far as clamps tight, within: each reading is as planned.
func placed(t *testing.T) *bench {
	t.Helper()
	b := newBench(t)
	b.must("open", data(`{"job":"%s","sensor":"front-camera"}`, jobID))
	planned, err := json.Marshal(measure)
	require.NoError(t, err)
	e := b.must("issue-sheet", data(`{"setup":{"sensor":"front-camera","datum":"front-bumper","datum_height_um":500000,"line":"centreline",
		"distance_um":1102000,"height_um":1350000,"positions":[{"name":"centre","lateral_um":0}],
		"tolerance":{"distance_um":8000,"lateral_um":8000,"height_um":6000,"yaw_udeg":600000}},
		"fixture":"%s","dimensions":"%s","bay":"%s","source":{"title":"Front camera, static","dated":"2026-05-04","version":"7"},"limits":"stated","measure":%s}`,
		fixture, dimensions, bay, planned))
	var decided struct {
		Plan []struct {
			Readings []struct {
				ExpectedUM   *int64 `json:"expected_um"`
				ExpectedUdeg *int64 `json:"expected_udeg"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(e.Decided, &decided))
	readings := make([]map[string]any, len(measure))
	for i, r := range measure {
		readings[i] = map[string]any{}
		for k, v := range r {
			readings[i][k] = v
		}
		// Real readings are never exactly what is expected: each is off by 0.3 mm or 0.0003°.
		off := int64(300 - 600*(i%2))
		if x := decided.Plan[0].Readings[i]; x.ExpectedUM != nil {
			readings[i]["value_um"] = *x.ExpectedUM + off
		} else {
			readings[i]["value_udeg"] = *x.ExpectedUdeg + off
		}
	}
	raw, err := json.Marshal(readings)
	require.NoError(t, err)
	b.must("report-readings", data(`{"moved":true,"readings":%s}`, raw))
	b.must("lock", json.RawMessage(`{}`))
	return b
}

// A verdict relied on what the register said then: whatever of it changes, the set-up is not frozen on that verdict.
func TestAVerdictSeesWhatChanges(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		command string
		data    json.RawMessage // nil: that of good
		fact    string          // "": the verdict does not rely on it
	}{
		{"change-instrument", nil, "instrument/" + instrument.String()},
		{"renew-instrument", nil, "instrument/" + instrument.String()},
		{"retire", data(`{"kind":"instrument","id":"%s"}`, level), "instrument/" + level.String()},
		{"change-fixture", nil, "fixture/" + fixture.String()},
		{"retire", nil, "fixture/" + fixture.String()},
		{"change-dimensions", nil, "dimensions/" + dimensions.String()},
		{"change-bay", nil, "bay/" + bay.String()},
		{"survey-bay", nil, "bay/" + bay.String()},
		{"withdraw-survey", nil, "bay/" + bay.String()},

		{"add-instrument", nil, ""},
		{"add-bay", nil, ""},
		{"change-organisation", nil, ""},
		{"change-member", nil, ""},
	} {
		b := placed(t)
		d := c.data
		if d == nil {
			d = good()[c.command]
		}
		b.shop.must(theOwner, c.command, d)
		_, err := b.do("freeze", json.RawMessage(`{}`))
		if c.fact == "" {
			require.NoError(t, err, c.command)
			continue
		}
		require.True(t, fault.Is(err, fault.NotMet), "%s %s: %v", c.command, d, err)
		require.Equal(t, "facts-unchanged", fault.Of(err).Fields[0].Want)
		require.Contains(t, fault.Of(err).Detail, c.fact)
	}
}

// Days that ran out are read from the facts: an instrument past its check measures nothing, a floor past its survey is
// said so.
func TestWhatRanOutIsSeen(t *testing.T) {
	t.Parallel()
	reading := data(`{"moved":true,"readings":[{"quantity":"span","from":"front-left-hub","to":"left-end","instrument":"%s","value_um":1200000}]}`, instrument)
	b := placed(t)
	b.now = time.Date(2027, 1, 10, 23, 0, 0, 0, time.UTC) // the day it is due still counts
	b.must("report-readings", reading)
	b.now = time.Date(2027, 1, 11, 0, 0, 0, 0, time.UTC)
	_, err := b.do("report-readings", reading)
	require.True(t, fault.Is(err, fault.NotMet), "%v", err)
	require.Equal(t, "instruments-current", fault.Of(err).Fields[0].Want)

	b.shop.must(theOwner, "renew-instrument", data(`{"instrument":"%s","certificate":{"number":"C-9","dated":"2026-11-20"},"due":"2028-01-10"}`, instrument))
	e := b.must("report-readings", reading)
	require.NotContains(t, string(e.Decided), "floor-survey")
	b.now = time.Date(2027, 6, 2, 0, 0, 0, 0, time.UTC)
	e = b.must("report-readings", reading)
	require.Contains(t, string(e.Decided), "floor-survey-expired")
	b.shop.must(theOwner, "withdraw-survey", good()["withdraw-survey"])
	e = b.must("report-readings", reading)
	require.Contains(t, string(e.Decided), "floor-not-surveyed")
}
