package proof_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/calibration"
	"readback/internal/live"
	"readback/internal/stream"
	"readback/internal/testkit/memstore"
	"readback/internal/trail"
)

// The people and things of the story. All are invented.
var (
	shopID, deskID                = idOf(0x20), idOf(0x21)
	bayID, spareBayID             = idOf(0x30), idOf(0x31)
	webhookID, readerID           = idOf(0x39), idOf(0x3a)
	laserID, ruleID, levelID      = idOf(0x32), idOf(0x33), idOf(0x34)
	tapeID, standID, dimensionsID = idOf(0x35), idOf(0x36), idOf(0x37)
	methodID                      = idOf(0x38)
	photoID                       = idOf(0x3b)
	visitID, cameraID, radarID    = idOf(0x40), idOf(0x41), idOf(0x42)
	shopOwner                     = someone(0x22, shopID, stream.Owner)
	technician                    = someone(0x23, shopID, stream.Technician)
	leaver                        = someone(0x24, shopID, stream.Technician)
	specialist                    = someone(0x25, deskID, stream.Specialist)
	reader                        = stream.Actor{Member: readerID, Org: shopID, Roles: []stream.Role{stream.Interface}}
	colleague                     = someone(0x26, deskID, stream.Specialist)
	shopRef, deskRef              = stream.Ref{Kind: stream.Register, ID: shopID}, stream.Ref{Kind: stream.Register, ID: deskID}
	visitRef                      = stream.Ref{Kind: stream.Job, ID: visitID}
	cameraRef, radarRef           = stream.Ref{Kind: stream.Calibration, ID: cameraID}, stream.Ref{Kind: stream.Calibration, ID: radarID}
	storyBegins                   = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
)

func someone(n byte, org stream.ID, role stream.Role) stream.Actor {
	return stream.Actor{Member: idOf(n), Org: org, Roles: []stream.Role{role}}
}

// serverOf is the server acting on its own in an organisation.
func serverOf(org stream.ID) stream.Actor {
	return stream.Actor{Member: org, Org: org, Roles: []stream.Role{stream.System}}
}

type obj = map[string]any

// teller gives a story's commands to a hub in which nothing is left to chance: its clock stands still between commands,
// its ids are counted, and its randomness is drawn from a seed.
type teller struct {
	t        *testing.T
	store    *memstore.Store
	hub      *live.Hub
	wrapping trail.WrappingKey
	noise    *rand.Rand           // of readings
	photos   map[stream.ID][]byte // sealed

	mu       sync.Mutex // guards what the hub's goroutines ask for
	now      time.Time
	random   *rand.ChaCha8
	keys     byte
	commands uint16
}

// Read draws from the seeded source.
func (w *teller) Read(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.random.Read(b)
}

func (w *teller) clock() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now
}

func (w *teller) newKeyID() stream.ID {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.keys++
	return idOf(0x50 + w.keys)
}

func (w *teller) wait(d time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = w.now.Add(d)
}

// timed is the store with the story's clock for its own.
type timed struct {
	*memstore.Store
	clock func() time.Time
}

func (s timed) Now(ctx context.Context) (time.Time, error) { return s.clock(), ctx.Err() }

// tellStory lets a shop and a desk do one calibration, with nearly everything that can happen in one: every type of
// entry of every kind of stream is in it.
func tellStory(t *testing.T) *forger {
	w := &teller{
		t: t, store: memstore.New(), now: storyBegins, random: rand.NewChaCha8([32]byte{'s', 't', 'o', 'r', 'y'}),
		noise: rand.New(rand.NewPCG(7, 11)), photos: map[stream.ID][]byte{},
	}
	secret := make([]byte, trail.KeySize)
	_, err := io.ReadFull(w, secret)
	require.NoError(t, err)
	w.wrapping, err = trail.WrappingKeyFrom(secret)
	require.NoError(t, err)
	w.hub = live.New(live.Config{
		Store: timed{w.store, w.clock}, Keys: w.wrapping, Rules: app.Rules(), Belonging: w.store.Belonging,
		Now: w.clock, Random: w, NewID: w.newKeyID, Log: slog.New(slog.DiscardHandler), ClockEvery: time.Hour,
	})
	defer func() { require.NoError(t, w.hub.Shutdown(context.WithoutCancel(t.Context()))) }()
	require.NoError(t, w.hub.Settled(t.Context()))

	w.desk()
	w.shop()
	w.car()
	w.preparation()
	w.handover()
	w.setUp()
	w.firstLeg()
	w.secondPosition()
	w.meanwhile()
	w.result()

	f := &forger{t: t, records: map[stream.Kind][]trail.Record{}, signer: signerFrom(t, "north.example", storySeed)}
	f.records[stream.Calibration], f.records[stream.Job] = w.records(cameraRef), w.records(visitRef)
	f.records[stream.Register], f.desk, f.radar = w.records(shopRef), w.records(deskRef), w.records(radarRef)
	f.jobKey, f.photos = w.jobKey(), w.photos
	return f
}

func (w *teller) jobKey() trail.Key {
	first, err := trail.Decode(w.records(visitRef)[0])
	require.NoError(w.t, err)
	wrapped, err := w.store.Key(w.t.Context(), *first.Opens.Key)
	require.NoError(w.t, err)
	key, err := w.wrapping.Unwrap(wrapped)
	require.NoError(w.t, err)
	return key
}

func (w *teller) records(ref stream.Ref) []trail.Record {
	records, err := w.store.Load(w.t.Context(), ref, 0, 0)
	require.NoError(w.t, err)
	return records
}

// do gives one command, a little after the one before, and it must be accepted.
func (w *teller) do(actor stream.Actor, ref stream.Ref, typ string, data obj) {
	w.t.Helper()
	raw, err := json.Marshal(data)
	require.NoError(w.t, err)
	w.wait(7321 * time.Millisecond)
	w.commands++
	id := idOf(0)
	binary.BigEndian.PutUint16(id[8:], 0x8000|w.commands)
	_, err = w.hub.Do(w.t.Context(), actor, ref, stream.Command{ID: id, Base: uint64(len(w.records(ref))), Type: typ, Data: raw})
	require.NoError(w.t, err, "%s %s", typ, raw)
}

func (w *teller) camera(actor stream.Actor, typ string, data obj) {
	w.t.Helper()
	w.do(actor, cameraRef, typ, data)
}

func (w *teller) state() *calibration.State {
	v, err := w.hub.View(w.t.Context(), technician, cameraRef)
	require.NoError(w.t, err)
	return v.State.(*calibration.State)
}

func (w *teller) desk() {
	server := serverOf(deskID)
	w.do(server, deskRef, "open-organisation", obj{"name": "Harbour Desk (invented)", "sort": "desk", "phone": "+00 555 0199"})
	for _, m := range []struct {
		who  stream.Actor
		name string
	}{{specialist, "Ines Beispiel (invented)"}, {colleague, "Cem Örnek (invented)"}} {
		w.do(server, deskRef, "add-member", obj{"id": m.who.Member, "name": m.name, "roles": m.who.Roles})
		w.do(server, deskRef, "grant-competence", obj{"member": m.who.Member, "sensor": "front-camera", "expires": "2027-03-31", "proof": "INV-1"})
	}
	w.do(server, deskRef, "set-opening-hours", obj{"zone": "Europe/Berlin", "week": []obj{{"day": "wednesday", "open": []obj{{"from": "08:00", "to": "18:00"}}}}})
	w.do(colleague, deskRef, "go-on-duty", obj{"member": colleague.Member})
}

func (w *teller) shop() {
	server := serverOf(shopID)
	w.do(server, shopRef, "open-organisation", obj{"name": "Quayside Motor Works (invented)", "sort": "shop", "phone": "+00 555 0100"})
	w.do(server, shopRef, "add-member", obj{"id": shopOwner.Member, "name": "Odile Exemplar (invented)", "roles": shopOwner.Roles})
	own := func(typ string, data obj) { w.t.Helper(); w.do(shopOwner, shopRef, typ, data) }
	own("add-member", obj{"id": technician.Member, "name": "Tamsin Exemplar (invented)", "roles": technician.Roles})
	own("add-member", obj{"id": leaver.Member, "name": "Piet Voorbeeld (invented)", "roles": leaver.Roles})
	own("grant-competence", obj{"member": technician.Member, "sensor": "front-camera", "expires": "2027-01-31"})
	own("change-member", obj{"id": leaver.Member, "name": "Piet Voorbeeld-Nieuw (invented)"})
	own("grant-competence", obj{"member": leaver.Member, "sensor": "front-radar", "expires": "2027-01-31"})
	own("revoke-competence", obj{"member": leaver.Member, "sensor": "front-radar"})
	own("retire-member", obj{"member": leaver.Member})
	own("change-organisation", obj{"phone": "+00 555 0101"})
	for _, b := range []struct {
		id   stream.ID
		name string
	}{{bayID, "Bay 2"}, {spareBayID, "Bay 3"}} {
		own("add-bay", obj{"id": b.id, "name": b.name, "size_um": obj{"length": 12_500_000, "width": 6_200_000}})
	}
	for _, bay := range []stream.ID{bayID, spareBayID} {
		own("survey-bay", obj{"bay": bay, "surveyed": "2026-06-01", "expires": "2027-06-01", "floor": obj{
			"wheels_um": obj{"front_left": 0, "front_right": 2000, "rear_left": -1000, "rear_right": 1000}, "fixture_um": -4000,
		}})
	}
	own("withdraw-survey", obj{"bay": spareBayID})
	own("change-bay", obj{"id": spareBayID, "name": "Bay 3, wash"})
	own("retire", obj{"kind": "bay", "id": spareBayID})
	for _, i := range []struct {
		id         stream.ID
		name       string
		instrument obj
	}{
		{laserID, "Laser 1", obj{"kind": "laser distance meter", "standard_uncertainty_um": 1000}},
		{ruleID, "Rule 1", obj{"kind": "steel rule", "standard_uncertainty_um": 500}},
		{levelID, "Level 1", obj{"kind": "digital level", "standard_uncertainty_udeg": 60_000}},
		{tapeID, "Tape 1", obj{"kind": "steel tape", "standard_uncertainty_um": 800, "common_um": 500}},
	} {
		own("add-instrument", obj{
			"id": i.id, "name": i.name, "instrument": i.instrument, "due": "2027-01-31",
			"certificate": obj{"number": "INV-" + i.name, "dated": "2026-05-04"},
		})
	}
	own("renew-instrument", obj{"instrument": laserID, "certificate": obj{"number": "INV-L2", "dated": "2026-11-02"}, "due": "2027-11-02"})
	own("change-instrument", obj{"id": tapeID, "name": "Tape 1, 5 m"})
	own("add-fixture", obj{"id": standID, "name": "Camera board", "target": "T-CAM-07", "fixture": obj{"kind": "board", "half_width_um": 800_000, "carried": "stand"}})
	own("add-dimensions", obj{"id": dimensionsID, "type": "Windrow 3 (invented)", "source": "measured on one car", "vehicle": obj{
		"wheelbase_um": 2_680_000, "front_track_um": 1_560_000, "rear_track_um": 1_572_000, "front_overhang_um": 890_000,
		"rear_overhang_um": 760_000, "hub_height_um": obj{"front": 325_000, "rear": 325_000},
	}})
	own("change-fixture", obj{"id": standID, "name": "Camera board, blue"})
	own("change-dimensions", obj{"id": dimensionsID, "type": "Windrow 3 hatchback (invented)"})
	own("add-procedure", obj{"id": methodID, "procedure": method("1", 12_500)})
	own("revise-procedure", obj{"id": methodID, "procedure": method("2", 12_800)})
	own("add-webhook", obj{"id": webhookID, "url": "https://hooks.example/readback", "events": []string{"calibration.*", "job.job_opened"}})
	own("change-webhook", obj{"id": webhookID, "events": []string{"calibration.*"}})
	own("add-interface", obj{"id": readerID, "name": "Reader 1", "bay": bayID})
	own("change-interface", obj{"id": readerID, "name": "Reader 1, long lead"})
	own("make-agreement", obj{"desk": deskID})
	own("end-agreement", obj{"desk": deskID})
	own("make-agreement", obj{"desk": deskID})
}

// method is a version of the shop's procedure for the radar.
func method(version string, leastMV int) obj {
	return obj{
		"format": "readback-procedure/1", "title": "Front radar, reflector (invented)", "sensor": "front-radar",
		"source": obj{"title": "Front radar, static (invented)", "dated": "2026-05-04", "version": version},
		"gates": []obj{
			{"gate": "metal-cleared", "asks": "No metal near the line to the reflector.", "grade": "required", "by": "request", "evidence": "photographed"},
			{"gate": "battery-voltage", "asks": "A supply holds the battery.", "grade": "required", "by": "leg", "evidence": "measured",
				"value": obj{"unit": "mV", "lower": leastMV}, "limits": "stated", "expires_min": 15},
		},
		"set_ups": []obj{{
			"name": "reflector ahead", "target": "T-RFL-02", "limits": "own", "limits_by": technician.Member,
			"setup": obj{
				"sensor": "front-radar", "datum": "front-bumper", "line": "centreline", "distance_um": 2_500_000, "height_um": 480_500,
				"positions": []obj{{"name": "ahead", "lateral_um": 0}}, "tolerance": obj{"distance_um": 20_000, "lateral_um": 8000},
			},
			"steps": []obj{{"step": "fit-target"}, {"step": "set-height"}},
		}},
		"drive": obj{
			"windows":    []obj{{"window": "main-road", "speed_kmh": obj{"lower": 60, "upper": 100}, "minutes": obj{"lower": 5}}},
			"conditions": []obj{{"condition": "dry", "asks": "The road is dry."}},
		},
	}
}

func (w *teller) car() {
	w.do(technician, visitRef, "open-job", obj{
		"vin": "ZZZDEM0A4CR000017", "plate": "INV 100", "customer_reference": "order 7", "mileage_km": 48_210, "steering": "left",
		"dimensions": dimensionsID, "causes": []string{"glass", "alignment"}, "customer_told": true,
		"sensors": obj{"affected": []string{"front-camera", "front-radar"}, "not_affected": []string{"rear-camera"}, "none_fitted": false},
	})
	w.do(technician, visitRef, "attach-alignment", obj{"when": "after", "steering_zero_done": true, "wheels": obj{
		"front_left": obj{"toe_udeg": 50_000, "camber_udeg": -500_000, "caster_udeg": 6_000_000},
		"rear_left":  obj{"toe_udeg": 200_000}, "rear_right": obj{"toe_udeg": -100_000},
	}})
	w.do(technician, visitRef, "record-scan", obj{"when": "before", "source": "device", "codes": []obj{{"code": "C0051", "status": 8, "blocking": false}}})
	w.do(shopOwner, visitRef, "note", obj{"text": "The customer waits.\n»At four«, she says — 16:00."})
	w.do(technician, radarRef, "open", obj{"job": visitID, "sensor": "front-radar", "procedure": obj{"register": shopID, "id": methodID}})
	w.do(technician, radarRef, "note", obj{"text": "After the camera."})
	w.do(technician, radarRef, "record-gate", obj{"gate": "battery-voltage", "met": true, "evidence": "measured", "value": obj{"amount": 12_700, "unit": "mV"}})
}

// sheet asks for the target 1102 mm from the centre of the front bumper and 1350 mm high, at the centre and 550 mm to
// the left (common practice, no source).
func sheet(distanceUM int) obj {
	span := func(from, to string) obj {
		return obj{"quantity": "span", "from": from + "-hub", "to": to + "-end", "instrument": laserID}
	}
	return obj{
		"setup": obj{
			"sensor": "front-camera", "datum": "front-bumper", "datum_height_um": 500_000, "line": "thrust-line",
			"distance_um": distanceUM, "height_um": 1_350_000,
			"positions":    []obj{{"name": "centre", "lateral_um": 0}, {"name": "left", "lateral_um": 550_000}},
			"tolerance":    obj{"distance_um": 5000, "lateral_um": obj{"lower": -5000, "upper": 6000}, "height_um": obj{"upper": 4000}, "yaw_udeg": 400_000},
			"sensor_at_um": obj{"x": 2_200_000, "y": 0, "z": 1_310_000},
		},
		"fixture": standID, "dimensions": dimensionsID, "bay": bayID, "limits": "stated",
		"source": obj{"title": "Front camera, static (invented)", "dated": "2026-05-04", "version": "7"},
		"measure": []obj{
			span("front-left", "left"), span("front-right", "right"), span("front-left", "right"), span("front-right", "left"),
			span("rear-left", "right"), span("rear-right", "left"), {"quantity": "centre-offset", "instrument": laserID},
			{"quantity": "end-height", "to": "left-end", "instrument": ruleID}, {"quantity": "end-height", "to": "right-end", "instrument": ruleID},
			{"quantity": "level", "instrument": levelID},
		},
	}
}

// measured are the readings that a sheet plans at a position, seen through a little noise: as they are where the target
// stands as that sheet asks for.
func (w *teller) measured(of calibration.Sheet, position string) []calibration.Reading {
	for _, p := range of.Plan {
		if p.Name != position {
			continue
		}
		var out []calibration.Reading
		for i, r := range of.Measure {
			noise := int64(w.noise.IntN(1001) - 500)
			if e := p.Readings[i]; e.ExpectedUM != nil {
				v := *e.ExpectedUM + noise
				r.ValueUM = &v
			} else {
				v := *e.ExpectedUdeg + 50*noise
				r.ValueUdeg = &v
			}
			out = append(out, r)
		}
		return out
	}
	w.t.Fatalf("the sheet does not plan %s", position)
	return nil
}

func (w *teller) sheet() calibration.Sheet {
	s, _, ok := w.state().Sheet()
	require.True(w.t, ok)
	return s
}

// report reports readings and asks for the verdict they must come to.
func (w *teller) report(verdict string, moved bool, readings ...calibration.Reading) {
	w.t.Helper()
	w.camera(technician, "report-readings", obj{"moved": moved, "readings": readings})
	require.Equal(w.t, verdict, w.state().Place().Verdict.Verdict)
}

// preparation is what the technician does before anybody is asked to come: a sheet with a misprint, its successor, a
// placement that still follows the first, the gates.
func (w *teller) preparation() {
	w.camera(technician, "open", obj{"job": visitID, "sensor": "front-camera"})
	w.camera(technician, "issue-sheet", sheet(1_114_000))
	misprint := w.sheet()
	w.camera(technician, "issue-sheet", sheet(1_102_000))
	w.report("adjust", true, w.measured(misprint, "centre")...)
	for _, g := range w.state().Gates() {
		answer := obj{"gate": g.Name, "met": g.Name != "light-even", "evidence": "declared"}
		if g.Name == "temperature-noted" {
			answer["evidence"], answer["value"] = "measured", obj{"amount": 21_500, "unit": "mC"}
		}
		w.camera(technician, "record-gate", answer)
	}
	w.camera(technician, "request", obj{})
}

// handover is how the calibration gets to the specialist: one hands it back, and once nobody is there any more.
func (w *teller) handover() {
	w.camera(colleague, "claim", obj{})
	w.camera(colleague, "return", obj{"reason": "Called away."})
	w.do(colleague, deskRef, "go-off-duty", obj{"member": colleague.Member})
	w.do(colleague, deskRef, "go-on-duty", obj{"member": colleague.Member})
	w.camera(colleague, "claim", obj{})
	w.camera(serverOf(shopID), "lapse", obj{"unheard_s": 612})
	w.camera(specialist, "decline", obj{"reason": "In a meeting until nine."})
	w.camera(colleague, "claim", obj{})
	w.camera(colleague, "offer-handover", obj{"points": "The light is not even; the shop shuts the blind."})
	w.camera(specialist, "take-handover", obj{"position": "centre", "stage": "placed", "attempt": 0, "frozen": false})
	w.do(specialist, deskRef, "go-on-duty", obj{"member": specialist.Member})
	w.do(specialist, deskRef, "go-off-duty", obj{"member": specialist.Member})
	w.camera(colleague, "take-over", obj{"reason": "Ines had to leave."})
	w.camera(colleague, "return", obj{"reason": "Ines is back."})
	w.do(specialist, deskRef, "go-on-duty", obj{"member": specialist.Member})
	w.camera(specialist, "claim", obj{})
	w.camera(specialist, "adopt-sheet", obj{"sheet": 2})
	w.camera(specialist, "waive", obj{"what": "gate", "gate": "light-even", "reason": "The blind is shut, the lamp is even enough."})
}

// setUp is everything at the first position: the target's id read back wrongly, a step withdrawn, a misread distance.
func (w *teller) setUp() {
	w.camera(specialist, "instruct", obj{"step": "fit-target"})
	w.camera(technician, "read-back", obj{"step": 1, "target": "T-CAM-01"})
	w.camera(specialist, "correct", obj{"step": 1})
	w.camera(technician, "read-back", obj{"step": 1, "target": "T-CAM-07"})
	w.camera(specialist, "confirm", obj{"step": 1})
	w.camera(technician, "done", obj{"step": 1})
	w.camera(specialist, "instruct", obj{"step": "set-height"})
	w.camera(specialist, "withdraw-step", obj{"step": 2})

	readings := w.measured(w.sheet(), "centre")
	*readings[2].ValueUM += 30_000
	w.report("remeasure", true, readings...)
	*readings[2].ValueUM -= 30_000
	w.report("within", false, readings[2])
	w.hold(readings)
}

// hold goes from a set-up within its limits to closing readings that hold.
func (w *teller) hold(readings []calibration.Reading) {
	w.camera(technician, "lock", obj{})
	w.camera(technician, "freeze", obj{})
	w.close(readings)
}

func (w *teller) close(readings []calibration.Reading) {
	w.camera(technician, "report-closing", obj{"readings": []calibration.Reading{readings[0], readings[1], readings[6]}})
	require.Equal(w.t, calibration.Held, w.state().Place().Stage)
}

// words start a leg, the given side first, after both have looked around for a minute and a half.
func (w *teller) words(bayFirst bool) {
	bay := func() { w.camera(technician, "bay-clear", obj{}) }
	desk := func() { w.camera(specialist, "go", obj{}) }
	w.wait(90 * time.Second)
	if bayFirst {
		bay()
		desk()
	} else {
		desk()
		bay()
	}
	require.Equal(w.t, calibration.Running, w.state().Phase())
}

// firstLeg is stopped while it runs, and run again after both have agreed.
func (w *teller) firstLeg() {
	w.words(true)
	w.camera(technician, "stop", obj{})
	w.camera(technician, "restart", obj{})
	w.camera(specialist, "restart", obj{"routine_holds": true})
	w.close(readingsOf(w.state().Place().Standing))
	w.words(true)
	w.camera(specialist, "end-leg", obj{"outcome": "completed", "note": "Values as the routine wants them.",
		"values": []obj{{"name": "pitch", "value": "-0.42", "unit": "deg"}}})
}

func readingsOf(standing []calibration.Standing) []calibration.Reading {
	out := make([]calibration.Reading, len(standing))
	for i, s := range standing {
		out[i] = s.Reading
	}
	return out
}

// secondPosition is instructed and read back; the set-up there is voided once.
func (w *teller) secondPosition() {
	w.camera(specialist, "instruct", obj{"step": "go-to-position", "position": "left"})
	step, ok := w.state().OpenStep()
	require.True(w.t, ok)
	w.camera(technician, "read-back", obj{"step": step.Number, "position": step.Position, "value_um": *step.ValueUM, "side": step.Side})
	w.camera(specialist, "confirm", obj{"step": step.Number})
	w.camera(technician, "done", obj{"step": step.Number})
	w.report("within", true, w.measured(w.sheet(), "left")...)
	w.camera(technician, "void-setup", obj{"cause": "fixture-touched"})
	readings := w.measured(w.sheet(), "left")
	w.report("within", true, readings...)
	w.hold(readings)
	w.words(false)
	w.camera(specialist, "end-leg", obj{"outcome": "completed"})
}

func (w *teller) result() {
	w.camera(technician, "note", obj{"text": "Drove 5 km, nothing lit."})
	w.do(technician, visitRef, "record-scan", obj{"when": "after", "source": "device", "codes": []obj{}})
	w.camera(specialist, "declare", obj{"outcome": "completed", "remarks": "As it should be.",
		"evaluation": obj{"routine_confirmed": true, "lamps": "off"}})
	w.camera(technician, "sign", obj{})
	w.camera(specialist, "sign", obj{})
	w.camera(shopOwner, "close", obj{})
	w.road()
	w.do(shopOwner, visitRef, "describe-vehicle", obj{"mileage_km": 48_215, "plate": "INV 101"})
	w.do(shopOwner, visitRef, "describe-work", obj{"causes": []string{"glass", "alignment", "bumper"}})
	w.do(shopOwner, visitRef, "announce-vehicle", obj{"vin": "ZZZDEM0A4CR000018"})
	w.do(shopOwner, visitRef, "settle-vin", obj{"right": "typed", "reason": "The lead was in the car beside it."})
	w.do(shopOwner, visitRef, "tie-interface", obj{"interface": readerID})
	w.do(reader, visitRef, "announce-vehicle", obj{"vin": "ZZZDEM0A4CR000017", "mileage_km": 48_216})
	w.do(shopOwner, visitRef, "untie-interface", obj{})
	w.do(shopOwner, visitRef, "withdraw-job", obj{"cause": "car-left", "reason": "Not waiting for the radar."})
}

// meanwhile tells with the radar's calibration what the camera's has no room for. What is new to the story goes here: the
// forgeries name entries of the others by number, and the last use of each value.
func (w *teller) meanwhile() {
	// Stands for a JPEG: nobody here looks at it.
	sealed, sum, err := w.jobKey().SealPhoto(w, radarID, photoID, []byte("a picture of a ladder"))
	require.NoError(w.t, err)
	w.photos[photoID] = sealed
	w.do(technician, radarRef, "attach-photo", obj{"photo": photoID, "sha256": sum, "width_px": 2560, "height_px": 1920,
		"of": obj{"gate": "metal-cleared"}, "caption": "Behind the reflector."})
	w.do(technician, radarRef, "mark-photo", obj{"photo": photoID, "text": "The ladder, gone by now.", "marks": []obj{
		{"kind": "ring", "points": []obj{{"x_ppm": 400_000, "y_ppm": 500_000}, {"x_ppm": 450_000, "y_ppm": 500_000}}},
		{"kind": "text", "points": []obj{{"x_ppm": 460_000, "y_ppm": 500_000}}},
	}})
	w.do(technician, radarRef, "record-gate", obj{"gate": "metal-cleared", "met": true, "evidence": "photographed"})
	w.do(technician, radarRef, "declare", obj{"outcome": "withdrawn", "reason": "The customer needs the car."})
	w.do(shopOwner, radarRef, "hand-over-notice", obj{"to": "customer", "how": "in-hand", "language": "en",
		"sha256": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}) // FIPS 180-2, B.1: of "abc"
	w.do(shopOwner, radarRef, "reopen", obj{"reason": "The car is back."})
}

// road is a drive with the radar, which the procedure asks for as well.
func (w *teller) road() {
	w.do(shopOwner, shopRef, "grant-competence", obj{"member": technician.Member, "sensor": "front-radar", "expires": "2027-01-31"})
	w.do(serverOf(deskID), deskRef, "grant-competence", obj{"member": specialist.Member, "sensor": "front-radar", "expires": "2027-01-31", "proof": "INV-2"})
	w.do(technician, radarRef, "request", obj{})
	w.do(specialist, radarRef, "claim", obj{})
	began := w.clock().Truncate(time.Second)
	w.wait(10 * time.Minute)
	w.do(technician, radarRef, "record-drive", obj{
		"started": began, "ended": began.Add(9 * time.Minute), "driver": "Tamsin Exemplar", "second_person": "Piet Voorbeeld",
		"conditions": []string{}, "csv": "time_s,speed_kmh\n0,48.5\n10,61\n20,72.25\n30,70\n50,71\n60,66\n",
		"interrupted": []obj{{"from_s": 60, "to_s": 90, "why": "traffic"}},
	})
}
