package calibration

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/drive"
	"readback/internal/fault"
	"readback/internal/procedure"
	"readback/internal/stream"
)

// onTheRoad is an invented procedure with a drive and what else is given, such as a set-up.
const onTheRoad = `{"format":"readback-procedure/1","title":"On the road (invented)","sensor":"front-camera",` +
	`"source":{"title":"Invented","dated":"2026-03-01","version":"1"},%s` +
	`"gates":[{"gate":"second-person","asks":"One rides along.","grade":"required","by":"request","evidence":"declared"},` +
	`{"gate":"route-agreed","asks":"The route is agreed.","grade":"caution","by":"drive","evidence":"declared","expires_min":30}],` +
	`"drive":{"windows":[{"window":"road","speed_kmh":{"lower":60,"upper":100},"minutes":{"lower":10,"upper":45}}],` +
	`"conditions":[{"condition":"dry","asks":"It is dry."}]}}`

// openDrive opens the calibration by a procedure with a drive.
func (w *world) openDrive(more string) {
	p, err := procedure.DecodeWhole(fmt.Appendf(nil, onTheRoad, more), "")
	require.NoError(w.t, err)
	raw, err := json.Marshal(map[string]any{"version": 1, "digest": "d", "procedure": p, "active": true})
	require.NoError(w.t, err)
	w.fact(registerKey(shopID, "procedure/"+methodID.String()), string(raw))
	w.do(technician, "open", openData(shopID))
}

func (w *world) guidedDrive(more string) {
	w.openDrive(more)
	w.request()
	w.claim()
}

// driveData is a drive of ten minutes that begins now and has ended when it is recorded.
func (w *world) driveData(log string) string {
	started := w.now.Add(time.Second)
	w.now = w.now.Add(11 * time.Minute)
	return fmt.Sprintf(`{"started":"%s","ended":"%s","conditions":["dry"],"driver":"Tamsin Exemplar","second_person":"Piet Voorbeeld",%s}`,
		started.Format(time.RFC3339), started.Add(10*time.Minute).Format(time.RFC3339), log)
}

const tenMinutes = `"segments":[{"from_s":0,"to_s":600,"lowest_kmh":60,"highest_kmh":100}]`

func (w *world) turn() Turn { return w.state().Turn(w.now) }

func TestARoadDriveHasNoSheet(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.openDrive("")
	_, _, err := w.try(technician, "issue-sheet", fromData())
	require.Contains(t, err.Error(), "it is for the road")
	w.answer("second-person", `"met":true,"evidence":"declared"`)
	w.do(technician, "request", `{}`)
	w.claim()
	require.Equal(t, Turn{Who: stream.Technician, Do: "record-gate", Gate: "route-agreed"}, w.turn())
	w.answer("route-agreed", `"met":false,"evidence":"declared"`)
	require.Equal(t, Turn{Who: stream.Specialist, Do: "waive", Gate: "route-agreed"}, w.turn())
	w.do(specialist, "waive", `{"what":"gate","gate":"route-agreed","reason":"The usual round."}`)
	require.Equal(t, stream.Technician, w.turn().Who)
	require.Equal(t, "record-drive", w.turn().Do)
	method := w.state().View(w.now).Procedure
	require.Equal(t, int64(60), *method.Drive.Windows[0].SpeedKMH.Lower)
	require.Contains(t, method.DriveCaution, "drives only")

	w.do(technician, "record-drive", w.driveData(tenMinutes))
	require.Equal(t, Turn{Who: stream.Specialist, Do: "declare"}, w.turn())
	w.do(specialist, "declare", `{"outcome":"completed"}`)
	r, _ := w.state().Result()
	require.Equal(t, 1, r.Drive)
	require.Empty(t, r.Positions)
}

// Drives are numbered. One that lacks something says what, and the next one may meet it all.
func TestDrivesAreCheckedAndKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guidedDrive("")
	w.do(technician, "record-drive", w.driveData(`"segments":[{"from_s":0,"to_s":300,"lowest_kmh":70,"highest_kmh":80},{"from_s":300,"to_s":600,"lowest_kmh":70,"highest_kmh":101}],"odometer_km":{"start":48210,"end":48222},"metres":11800`))
	require.Equal(t, "record-drive", w.turn().Do)
	require.Equal(t, "not-met", Rules{}.Summary(w.state()).Data.(Row).Drive)
	_, _, err := w.try(specialist, "declare", `{"outcome":"completed"}`)
	require.Contains(t, err.Error(), "Drive 1 lacks 300 s in road")

	alone := w.driveData(tenMinutes)
	w.do(technician, "record-drive", replaced(t, replaced(t, alone, `,"second_person":"Piet Voorbeeld"`, ``), `["dry"]`, `[]`))
	attempts := w.state().Attempts()
	require.Len(t, attempts, 1)
	require.Len(t, attempts[0].Drives, 2)
	second := attempts[0].Drives[1]
	require.Equal(t, []drive.Checked{{Window: "road", WithinS: 600, LongestS: 600, DistanceM: 10_000, Met: true}}, second.Windows)
	require.Equal(t, []string{"dry"}, second.NotNoted)
	require.False(t, second.Met)
	require.Equal(t, []string{"no-second-person"}, second.Cautions)
	require.Equal(t, &Odometer{48_210, 48_222}, attempts[0].Drives[0].OdometerKM)
	_, _, err = w.try(specialist, "declare", `{"outcome":"completed"}`)
	require.Contains(t, err.Error(), "the condition dry")

	w.answer("route-agreed", `"met":true,"evidence":"declared"`)
	w.do(technician, "record-drive", w.driveData(tenMinutes))
	require.Equal(t, "met", Rules{}.Summary(w.state()).Data.(Row).Drive)
	require.Empty(t, w.state().Attempts()[0].Drives[2].Cautions)
}

// What is driven in an attempt does not count in the next: neither by its number nor by recording the old log again.
func TestAnotherAttemptNeedsAnotherDrive(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guidedDrive("")
	data := w.driveData(tenMinutes)
	w.do(technician, "record-drive", data)
	w.do(specialist, "declare", `{"outcome":"completed"}`)
	w.do(technician, "reopen", `{"reason":"The lamp came on again."}`)
	require.Nil(t, w.state().driven())
	_, _, err := w.try(specialist, "declare", `{"outcome":"completed"}`)
	require.Contains(t, err.Error(), "none is recorded in this attempt")
	_, _, err = w.try(technician, "record-drive", data)
	require.Equal(t, "drive-in-attempt", fault.Of(err).Fields[0].Want)
	w.do(technician, "record-drive", w.driveData(tenMinutes))
	require.Equal(t, 2, w.state().Attempts()[1].Number)
}

// A gate's answer must count when the drive begins; one given only afterwards is a caution.
func TestGatesOfADrive(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guidedDrive("")
	w.now = w.now.Add(31 * time.Minute)
	_, _, err := w.try(technician, "record-drive", w.driveData(tenMinutes))
	require.Contains(t, err.Error(), "route-agreed (its answer counted for 30 min)")
	data := w.driveData(tenMinutes)
	w.answer("route-agreed", `"met":true,"evidence":"declared"`)
	w.do(technician, "record-drive", data)
	require.Equal(t, []string{"gate-answered-after-start"}, w.state().Attempts()[0].Drives[0].Cautions)
}

// With set-ups, too, the drive comes after the legs; it voids what stood, as the car has moved.
func TestLegsAndADrive(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	p, err := procedure.DecodeWhole([]byte(methodJSON), "")
	require.NoError(t, err)
	setUps, err := json.Marshal(p.SetUps)
	require.NoError(t, err)
	w.openDrive(`"set_ups":` + string(setUps) + `,`)
	w.answer("second-person", `"met":true,"evidence":"declared"`)
	w.do(technician, "issue-sheet", fromData())
	w.do(technician, "request", `{}`)
	w.claim()
	w.adopt()
	w.fit()
	w.leg()
	require.NotEqual(t, None, w.state().place.Stage)
	_, _, err = w.try(technician, "record-drive", w.driveData(tenMinutes))
	require.Equal(t, "gates-by-drive", fault.Of(err).Fields[0].Want, "which the leg did not wait for")
	w.answer("route-agreed", `"met":true,"evidence":"declared"`)
	ran := *w.state().Attempts()[0].Legs[0].Ended
	now := w.now
	w.now = ran.Add(-2 * time.Second)
	over := w.driveData(tenMinutes)
	_, _, err = w.try(technician, "record-drive", over)
	require.Contains(t, err.Error(), "Leg 1 of this attempt ran from", "the car was in the bay then")
	w.now = now
	w.do(technician, "record-drive", w.driveData(tenMinutes))
	require.Equal(t, None, w.state().place.Stage)
	require.Equal(t, carMoved, w.state().place.Void)
	_, _, err = w.try(specialist, "declare", `{"outcome":"completed"}`)
	require.Equal(t, "all-positions-run", fault.Of(err).Fields[0].Want)
	require.Len(t, w.state().Attempts(), 1, "the same attempt")
}

func TestDriveDataIsChecked(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, c := range []struct{ was, is, at string }{
		{`"driver":"Tamsin Exemplar",`, ``, "data.driver"},
		{`Piet Voorbeeld`, `tamsin exemplar`, "data.second_person"},
		{`T09:10:01Z`, `T08:59:00Z`, "data.ended"},
		{`T09:10:01Z`, `T09:09:00Z`, "data.ended"}, // the log goes on
		{`2026-11-25T09:10:01Z`, `2026-11-26T09:10:01Z`, "data.ended"},
		{`"conditions":["dry"],`, ``, "data.conditions"},
		{`"segments"`, `"odometer_km":{"start":5,"end":4},"segments"`, "data.odometer_km.end"},
		{`"segments"`, `"interrupted":[{"from_s":0,"to_s":10,"why":"tea"}],"segments"`, "data.interrupted[0].why"},
	} {
		w.now = morning
		_, _, err := Rules{}.Admit(stream.Command{Type: "record-drive", Data: json.RawMessage(replaced(t, w.driveData(tenMinutes), c.was, c.is))})
		require.True(t, fault.Is(err, fault.InvalidInput), "%s", c.is)
		require.Equal(t, c.at, fault.Of(err).Fields[0].Name)
	}
	_, seal, err := Rules{}.Admit(stream.Command{Type: "record-drive", Data: json.RawMessage(w.driveData(tenMinutes))})
	require.NoError(t, err)
	require.Equal(t, []string{"driver", "second_person"}, seal, "names are sealed")
}
