package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

// shows has the actor show readings, as the hub does.
func (w *world) shows(actor stream.Actor, data string) (Live, error) {
	order, err := Rules{}.ReadLive(json.RawMessage(data))
	if err != nil {
		return Live{}, err
	}
	if err := (Rules{}).AdmitLive(w.state(), actor); err != nil {
		return Live{}, err
	}
	facts := stream.Facts{}
	for _, k := range (Rules{}).LiveNeeds(w.state(), actor, order) {
		if f, ok := w.facts[k]; ok {
			facts[k] = f
		}
	}
	got, err := Rules{}.Live(w.state(), actor, order, facts, w.now)
	if err != nil {
		return Live{}, err
	}
	return got.(Live), nil
}

// TestLiveIsWhatAReportWouldComeTo: with and without what stands before, the same readings come to the same verdict.
func TestLiveIsWhatAReportWouldComeTo(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guided()
	w.place()
	all := w.measured(12_000)
	for _, c := range []struct {
		name     string
		moved    bool
		readings []Reading
	}{
		{"alone", true, all}, {"over what stands", false, all[:2]}, {"few, alone", true, all[:1]}, {"all over what stands", false, all},
	} {
		data := readingsData(c.moved, c.readings)
		before := w.state()
		shown, err := w.shows(technician, data)
		require.NoError(t, err, c.name)
		require.Same(t, before, w.state(), "nothing has changed")
		e, _, err := w.draft(technician, "report-readings", data)
		require.NoError(t, err, c.name)
		var d readingsDecided
		require.NoError(t, json.Unmarshal(e.Decided, &d))
		require.Equal(t, asJSON(t, d.Verdict), asJSON(t, shown.Verdict), c.name)
		require.Equal(t, d.Position, shown.Position)
		require.Equal(t, c.moved, shown.Moved)
		require.Equal(t, c.readings, shown.Readings)
	}
}

func asJSON(t *testing.T, v any) string {
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	return string(raw)
}

// TestLiveIsRefusedWhereAReportWouldBe: for the same reason.
func TestLiveIsRefusedWhereAReportWouldBe(t *testing.T) {
	t.Parallel()
	one := func(w *world) string { return readingsData(true, w.measured(0)[:1]) }
	for name, c := range map[string]struct {
		to    func(w *world) string // gives the readings
		actor stream.Actor
	}{
		"no sheet": {func(w *world) string {
			data := func() string { v := newWorld(t); v.guided(); return one(v) }()
			w.open()
			return data
		}, technician},
		"not the technician": {func(w *world) string { w.guided(); return one(w) }, specialist},
		"frozen": {func(w *world) string {
			w.guided()
			w.place()
			data := one(w)
			w.do(technician, "lock", `{}`)
			w.do(technician, "freeze", `{}`)
			return data
		}, technician},
		"instrument not known": {func(w *world) string {
			w.guided()
			return strings.ReplaceAll(one(w), w.measured(0)[0].Instrument.String(), id(99).String())
		}, technician},
		"certificate past its date": {func(w *world) string {
			w.guided()
			data := one(w)
			w.now = w.now.AddDate(2, 0, 0)
			return data
		}, technician},
		"out of range": {func(w *world) string {
			w.guided()
			return fmt.Sprintf(`{"moved":true,"readings":[{"quantity":"datum-distance","instrument":%q,"value_um":-1}]}`, laserID)
		}, technician},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			data := c.to(w)
			_, shown := w.shows(c.actor, data)
			_, _, reported := w.draft(c.actor, "report-readings", data)
			var a, b *fault.Error
			require.True(t, errors.As(shown, &a) && errors.As(reported, &b), "%v, %v", shown, reported)
			require.Equal(t, b.Slug, a.Slug)
			require.Equal(t, b.Detail, a.Detail)
			for i, f := range b.Fields {
				require.Equal(t, fault.Field{Name: strings.TrimPrefix(f.Name, "data."), Want: f.Want}, a.Fields[i])
			}
		})
	}
}

func TestReadLiveIsStrict(t *testing.T) {
	t.Parallel()
	one := fmt.Sprintf(`{"quantity":"datum-distance","instrument":%q,"value_um":2000000}`, laserID)
	for data, names := range map[string]string{
		`{}`:              "readings",
		`{"readings":[]}`: "readings",
		`{"readings":[` + one + `],"captured":1}`:                       "captured",
		`{"readings":[` + strings.Repeat(one+",", MaxLive) + one + `]}`: "readings",
		`{"readings":[` + one + `,` + one + `]}`:                        "readings[1]",
		`{"readings":[{"quantity":"datum-distance","instrument":"x"}]}`: "readings[0].instrument",
	} {
		_, err := Rules{}.ReadLive(json.RawMessage(data))
		var f *fault.Error
		require.True(t, errors.As(err, &f), data)
		require.Equal(t, names, f.Fields[0].Name, data)
	}
	got, err := Rules{}.ReadLive(json.RawMessage(`{"readings":[` + one + `]}`))
	require.NoError(t, err)
	require.False(t, got.(readingsOrder).Moved)
}

// BenchmarkLive is one live message of a whole set of readings, from its bytes to the bytes of its value.
func BenchmarkLive(b *testing.B) {
	w := newWorld(b)
	w.guided()
	w.place()
	readings := w.measured(12_000)
	data := readingsData(true, readings)
	b.ReportMetric(float64(len(readings)), "readings")
	b.ReportAllocs()
	for b.Loop() {
		v, err := w.shows(technician, data)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := json.Marshal(v); err != nil {
			b.Fatal(err)
		}
	}
}
