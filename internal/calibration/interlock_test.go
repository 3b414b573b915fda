package calibration

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

var update = flag.Bool("update", false, "write the golden files anew; read the difference before committing it")

// ripe brings a calibration to a phase in which the command lacks nothing but, perhaps, the phase, and gives its data.
func ripe(t *testing.T, phase Phase, command string) (*world, string) {
	w := newWorld(t)
	if phase == Unopened {
		return w, dataOf(w, command)
	}
	if command == "record-drive" {
		w.openDrive("")
	} else {
		w.open()
	}
	// What the technician prepares is possible from the first phase on.
	if command != "adopt-sheet" && command != "issue-sheet" && command != "record-drive" {
		w.issue()
	}
	switch command {
	case "mark-photo":
		w.do(technician, "attach-photo", photoData(1, `{"gate":"background-plain"}`))
	case "lock":
		w.place()
	case "freeze":
		w.place()
		w.lock()
	}
	if phase == Preparing {
		if command == "request" {
			w.gates()
		}
		offered(w, command)
		return w, dataOf(w, command)
	}
	if phase == Stopped && command == "restart" {
		w.request()
		w.claim()
		w.do(technician, "stop", `{}`)
		return w, dataOf(w, command)
	}
	w.request()
	if phase == Waiting {
		offered(w, command)
		return w, dataOf(w, command)
	}
	w.claim()
	if command == "adopt-sheet" {
		w.issue()
	} else if w.state().sheet() != nil {
		w.adopt()
	}
	switch phase {
	case Declared, Closed:
		w.do(specialist, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
		if phase == Closed || command == "close" {
			w.do(technician, "sign", `{}`)
			w.do(specialist, "sign", `{}`)
		}
		if phase == Closed {
			w.do(owner, "close", `{}`)
		}
		return w, dataOf(w, command)
	case Running:
		if w.state().sheet() == nil {
			w.issue()
			w.adopt()
		} else if w.state().adopted == 0 {
			w.adopt()
		}
		w.fit()
		if w.state().place.Stage == None {
			w.place()
		}
		if w.state().place.Stage == Placed {
			w.lock()
		}
		w.freeze()
		w.close()
		w.start()
		return w, dataOf(w, command)
	}
	switch command {
	case "bay-clear", "go":
		w.fit()
		w.held()
	case "report-closing":
		w.place()
		w.lock()
		w.freeze()
	case "waive":
		w.do(technician, "record-gate", `{"gate":"light-even","met":false,"evidence":"photographed"}`)
	case "read-back", "withdraw-step", "confirm", "correct", "done":
		w.do(specialist, "instruct", `{"step":"go-to-position","position":"left"}`)
		if command == "correct" {
			w.do(technician, "read-back", `{"step":1,"position":"left","value_um":550000,"side":"right"}`)
		}
		if command == "confirm" || command == "done" {
			w.do(technician, "read-back", `{"step":1,"position":"left","value_um":550000,"side":"left"}`)
		}
		if command == "done" {
			w.do(specialist, "confirm", `{"step":1}`)
		}
	}
	if phase == Stopped {
		w.do(technician, "stop", `{}`)
	}
	offered(w, command)
	return w, dataOf(w, command)
}

// offered has both sides offer what the command takes: the technician's by another, who comes no more; and lets the
// specialist in charge be off duty where that is what the command waits for.
func offered(w *world, command string) {
	switch command {
	case "take-handover":
		w.do(relief, "offer-handover", `{}`)
		if w.state().claim != nil {
			w.do(specialist, "offer-handover", `{"points":"The lamp flickers."}`)
		}
	case "take-over":
		w.fact(dutyKey(deskID, specialist.Member), `{"on":false,"since":"2026-11-25T08:00:00Z"}`)
	}
}

// restating says the state as it is.
func restating(s *State) string {
	position := ""
	if s.place.Position != "" {
		position = fmt.Sprintf(`"position":%q,`, s.place.Position)
	}
	attempt := 0
	if open := s.attempt(); open != nil {
		attempt = open.Number
	}
	return fmt.Sprintf(`{%s"stage":%q,"attempt":%d,"frozen":%v}`, position, s.place.Stage, attempt, s.place.Stage.still())
}

// dataOf is data that the command is accepted with where it is ripe.
func dataOf(w *world, command string) string {
	switch command {
	case "open":
		return `{"job":"` + jobID.String() + `","sensor":"front-camera"}`
	case "attach-photo":
		return photoData(1, `{"gate":"background-plain"}`)
	case "mark-photo":
		return markData(1)
	case "record-gate":
		return `{"gate":"light-even","met":true,"value":{"amount":450,"unit":"lx"},"evidence":"measured"}`
	case "take-handover":
		return restating(w.state())
	case "return", "decline", "take-over":
		return `{"reason":"Another sensor needs a method I do not have."}`
	case "waive":
		return `{"what":"gate","gate":"light-even","reason":"Even at the target."}`
	case "issue-sheet":
		return sheetData()
	case "adopt-sheet":
		return `{"sheet":1}`
	case "instruct":
		return `{"step":"go-to-position","position":"left"}`
	case "read-back":
		return `{"step":1,"position":"left","value_um":550000,"side":"left"}`
	case "confirm", "correct", "withdraw-step", "done":
		return `{"step":1}`
	case "report-readings", "report-closing":
		other := newWorld(w.t) // readings as at the first position, wherever this calibration is
		other.open()
		other.issue()
		if command == "report-closing" {
			return closingData(other.closing(0))
		}
		return readingsData(true, other.measured())
	case "end-leg":
		return `{"outcome":"completed"}`
	case "record-drive":
		return w.driveData(`"segments":[{"from_s":0,"to_s":600,"lowest_kmh":60,"highest_kmh":100}]`)
	case "void-setup":
		return `{"cause":"door-opened"}`
	case "note":
		return `{"text":"The bay lamp flickers."}`
	case "declare":
		return `{"outcome":"withdrawn","reason":"The car leaves."}`
	case "hand-over-notice":
		return noticeData
	case "reopen":
		return `{"reason":"The lamp came on again."}`
	}
	return `{}`
}

// noticeData is the SHA-256 of "abc", of FIPS 180-2, appendix B.1 (from memory).
const noticeData = `{"to":"customer","how":"in-hand","language":"en","sha256":"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"}`

// players are everybody who may come to a calibration.
var players = []struct {
	name  string
	actor stream.Actor
}{
	{"technician", technician}, {"specialist (claims from waiting on)", specialist}, {"colleague of the same desk", colleague},
	{"specialist of a desk without agreement", stranger}, {"owner", owner}, {"system", system},
}

// short are the refusals as the table writes them.
var short = map[fault.Slug]string{fault.WrongPhase: "phase", fault.NotYourRole: "role", fault.NotClaimed: "claim"}

// interlocks is the table as a page shows it; those for whom all is the same share a row.
func interlocks(t *testing.T) string {
	var b strings.Builder
	b.WriteString("| command | who | " + strings.Join(phaseNames(), " | ") + " |\n|" + strings.Repeat(" --- |", 2+len(Phases())) + "\n")
	for _, r := range table {
		cells := make([]string, len(players))
		for _, phase := range Phases() {
			w, data := ripe(t, phase, r.command)
			require.Equal(t, phase, w.state().Phase(), r.command)
			for i, p := range players {
				cells[i] += " " + outcome(t, w, &r, p.actor, data) + " |"
			}
		}
		for i, p := range players {
			if slices.Index(cells, cells[i]) < i {
				continue
			}
			who := p.name
			for j := i + 1; j < len(cells); j++ {
				if cells[j] == cells[i] {
					who += ", " + players[j].name
				}
			}
			fmt.Fprintf(&b, "| %s | %s |%s\n", r.command, who, cells[i])
		}
	}
	return b.String()
}

// outcome is what becomes of a command: its entry, the guard that refuses it, or the refusal before the guards.
func outcome(t *testing.T, w *world, r *row, actor stream.Actor, data string) string {
	state := w.state()
	before := snapshot(t, state)
	e, _, err := w.draft(actor, r.command, data)
	if err == nil {
		require.Contains(t, r.entries, e.Type)
		_, err := Rules{}.Apply(state, e)
		require.NoError(t, err)
		require.Equal(t, before, snapshot(t, state), "%s changed an earlier state", r.command)
		return "**" + e.Type + "**"
	}
	var refusal *fault.Error
	require.ErrorAs(t, err, &refusal)
	if refusal.Slug == fault.NotMet {
		return refusal.Fields[0].Want
	}
	require.Contains(t, short, refusal.Slug, "%s in %s: %v", r.command, state.Phase(), err)
	return short[refusal.Slug]
}

func phaseNames() []string {
	names := make([]string, 0, len(Phases()))
	for _, p := range Phases() {
		names = append(names, string(p))
	}
	return names
}

// guardTable lists the commands with their guards in order, and what each guard asks.
func guardTable() string {
	var b strings.Builder
	b.WriteString("| command | guards, in order |\n| --- | --- |\n")
	asks := map[string]string{}
	for _, r := range table {
		var names []string
		for _, g := range r.guards {
			names = append(names, g.name)
			asks[g.name] = g.asks
		}
		if names == nil {
			names = []string{"none"}
		}
		fmt.Fprintf(&b, "| %s | %s |\n", r.command, strings.Join(names, ", "))
	}
	b.WriteString("\n| guard | holds when |\n| --- | --- |\n")
	for _, name := range guardNames() {
		fmt.Fprintf(&b, "| %s | %s |\n", name, asks[name])
	}
	return b.String()
}

func staleTable() string {
	var b strings.Builder
	b.WriteString("| command | is out of date if its sender has not seen |\n| --- | --- |\n")
	for _, r := range table {
		stale := "nothing: it is never out of date"
		if len(r.stale) > 0 {
			list := slices.Compact(slices.Sorted(slices.Values(r.stale)))
			stale = strings.Join(list, ", ")
		}
		fmt.Fprintf(&b, "| %s | %s |\n", r.command, stale)
	}
	return b.String()
}

func guardNames() []string {
	var names []string
	for _, r := range table {
		for _, g := range r.guards {
			if !slices.Contains(names, g.name) {
				names = append(names, g.name)
			}
		}
	}
	return names
}

// TestInterlocks goes through every command by everybody in every phase: allowed with its entry, or refused with its
// reason.
func TestInterlocks(t *testing.T) {
	t.Parallel()
	got := map[string]string{"interlocks": interlocks(t), "guards": guardTable(), "stale": staleTable()}
	doc := filepath.Join("..", "..", "docs", "state-machine.md")
	text, err := os.ReadFile(doc)
	require.NoError(t, err)
	page := string(text)
	for _, name := range []string{"interlocks", "guards", "stale"} {
		golden := filepath.Join("testdata", name+".md")
		begin, end := "<!-- begin "+name+" -->\n\n", "\n<!-- end "+name+" -->"
		if *update {
			require.NoError(t, os.WriteFile(golden, []byte(got[name]), 0o644))
			head, rest, ok := strings.Cut(page, begin)
			require.True(t, ok, "%s has no place for %s", doc, name)
			_, tail, ok := strings.Cut(rest, end)
			require.True(t, ok)
			page = head + begin + got[name] + end + tail
			require.NoError(t, os.WriteFile(doc, []byte(page), 0o644))
		}
		want, err := os.ReadFile(golden)
		require.NoError(t, err)
		require.Equal(t, string(want), got[name])
		require.Contains(t, page, begin+got[name]+end, "docs/state-machine.md shows another table")
	}
}

func TestTableIsWhole(t *testing.T) {
	t.Parallel()
	var made []string
	for _, r := range table {
		require.NotEmpty(t, r.may, r.command)
		require.NotNil(t, r.read, r.command)
		require.NotNil(t, r.decide, r.command)
		for _, e := range append(slices.Clone(r.entries), r.stale...) {
			require.Contains(t, entries, e, r.command)
		}
		made = append(made, r.entries...)
		for _, g := range r.guards {
			require.NotEmpty(t, g.name)
			require.NotEmpty(t, g.asks)
			require.NotNil(t, g.refuses)
		}
	}
	for _, e := range Entries() {
		require.Contains(t, made, e, "no command makes this entry")
	}
	for _, never := range []string{"stop", "note", "void-setup"} {
		for _, e := range Entries() {
			require.False(t, Rules{}.Stale(never, e))
		}
	}
	require.True(t, Rules{}.Stale("go", "readings-reported"))
	require.False(t, Rules{}.Stale("go", "word-given"))
	require.False(t, Rules{}.Stale("go", "noted"))
}

func TestRefusalsSpeakPlainly(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	_, _, err := w.try(technician, "certify", `{}`)
	require.True(t, fault.Is(err, fault.UnknownType))
	w.open()
	_, _, err = w.try(technician, "go", `{}`)
	require.True(t, fault.Is(err, fault.NotYourRole))
	require.Equal(t, "To say go is for a specialist of this calibration.", fault.Of(err).Detail)
	_, _, err = w.try(specialist, "go", `{}`)
	require.True(t, fault.Is(err, fault.NotClaimed))
	_, _, err = w.try(technician, "sign", `{}`)
	require.Equal(t, "The calibration is preparing. To sign the result is possible while it is declared.", fault.Of(err).Detail)
}

// alone lists, for each guard, a way to the one command that it alone refuses: everything else holds. Where no command
// leads there, the state is made by hand; such a guard is the second line of defence.
var alone = map[string]func(w *world) (actor stream.Actor, command, data string){
	"job-known": func(w *world) (stream.Actor, string, string) {
		delete(w.facts, jobKey(jobID, "vehicle"))
		return technician, "open", dataOf(w, "open")
	},
	"job-goes-on": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		w.request()
		w.car(`"withdrawn":true`)
		return specialist, "claim", `{}`
	},
	"sensor-not-ruled-out": func(w *world) (stream.Actor, string, string) {
		return technician, "open", `{"job":"` + jobID.String() + `","sensor":"lidar"}`
	},
	"work-described": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.gates()
		w.car(`"missing":["causes"]`)
		return technician, "request", `{}`
	},
	"sensor-affected": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.gates()
		w.fact(w.state().vehicleKey(), `{"sensors":["front-radar"],"missing":[]}`)
		return technician, "request", `{}`
	},
	"one-vin": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.car(`"vin_differs":true`)
		return specialist, "go", `{}`
	},
	"car-described": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.car(`"missing":["mileage_km"]`)
		return technician, "bay-clear", `{}`
	},
	"procedure-known": func(w *world) (stream.Actor, string, string) {
		w.method("front-camera", deskID)
		w.fact(registerKey(shopID, "agreement/"+deskID.String()), `{"desk":"`+deskID.String()+`","ended":true}`)
		return technician, "open", openData(deskID)
	},
	"procedure-for-sensor": func(w *world) (stream.Actor, string, string) {
		w.method("front-radar", shopID)
		return technician, "open", openData(shopID)
	},
	"gate-evidence": func(w *world) (stream.Actor, string, string) {
		w.openBy(shopID)
		return technician, "record-gate", `{"gate":"space-clear","met":true,"evidence":"declared"}`
	},
	"gate-photographed": func(w *world) (stream.Actor, string, string) {
		w.openBy(shopID)
		return technician, "record-gate", `{"gate":"space-clear","met":true,"evidence":"photographed"}`
	},
	"photo-new": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.do(technician, "attach-photo", photoData(1, `{"gate":"background-plain"}`))
		return technician, "attach-photo", photoData(1, `{"gate":"light-even"}`)
	},
	"photo-of-something": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "attach-photo", photoData(1, `{"step":1}`)
	},
	"photo-attached": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.do(technician, "attach-photo", photoData(1, `{"gate":"background-plain"}`))
		return technician, "mark-photo", markData(2)
	},
	"gate-figure": func(w *world) (stream.Actor, string, string) {
		w.openBy(shopID)
		return technician, "record-gate", `{"gate":"battery-voltage","met":true,"evidence":"measured","value":{"amount":13,"unit":"min"}}`
	},
	"set-up-known": func(w *world) (stream.Actor, string, string) {
		w.openBy(shopID)
		return technician, "issue-sheet", replaced(w.t, fromData(), "board ahead", "board behind")
	},
	"target-asked": func(w *world) (stream.Actor, string, string) {
		w.openBy(shopID)
		w.fact(w.state().fixtureKey(fixtureID), `{"name":"Camera board","target":"T-CAM-09","fixture":{"kind":"board","half_width_um":800000,"carried":"stand"},"active":true}`)
		return technician, "issue-sheet", fromData()
	},
	"gate-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "record-gate", `{"gate":"moon-full","met":true,"evidence":"declared"}`
	},
	"gates-by-request": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.gates()
		w.do(technician, "record-gate", `{"gate":"tyres-set","met":false,"evidence":"measured"}`)
		return technician, "request", `{}`
	},
	"agreement": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.request()
		w.fact(w.state().agreementKey(deskID), `{"desk":"`+deskID.String()+`","ended":true}`)
		return specialist, "claim", `{}`
	},
	"competence": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.request()
		w.now = time.Date(2027, 4, 1, 0, 0, 0, 0, time.UTC) // the day after it ran out
		return specialist, "claim", `{}`
	},
	"lead-of-job": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.gates()
		w.fact(pairingKey(leadID), `{"job":"`+id(99).String()+`","state":"waiting"}`)
		return technician, "request", `{"with":"` + leadID.String() + `"}`
	},
	"language": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.gates()
		w.do(technician, "request", `{"languages":["fr","es"]}`)
		return specialist, "claim", `{}`
	},
	"on-duty": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.request()
		w.fact(dutyKey(deskID, specialist.Member), `{"on":false,"since":"2026-11-25T08:00:00Z"}`)
		return specialist, "claim", `{}`
	},
	"lead-first": func(w *world) (stream.Actor, string, string) {
		w.together("waiting", nil)
		return specialist, "claim", `{}`
	},
	"not-declined": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.request()
		w.do(specialist, "decline", `{"reason":"I am about to leave."}`)
		return specialist, "decline", `{"reason":"I am about to leave."}`
	},
	"handover-offered": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return colleague, "take-handover", restating(w.state())
	},
	"handover-by-another": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "offer-handover", `{}`)
		return technician, "take-handover", restating(w.state())
	},
	"handover-current": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.place()
		said := restating(w.state())
		w.do(specialist, "offer-handover", `{}`)
		w.lock()
		return colleague, "take-handover", said
	},
	"restated": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.do(specialist, "offer-handover", `{}`)
		return colleague, "take-handover", replaced(w.t, restating(w.state()), `"frozen":true`, `"frozen":false`)
	},
	"holder-away": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return colleague, "take-over", `{"reason":"Ines does not answer."}`
	},
	"waivable": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "record-gate", `{"gate":"tyres-set","met":false,"evidence":"measured"}`)
		return specialist, "waive", `{"what":"gate","gate":"tyres-set","reason":"They look right."}`
	},
	"sheet-for-sensor": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "issue-sheet", replaced(w.t, sheetData(), `"sensor":"front-camera"`, `"sensor":"rear-camera"`)
	},
	"dimensions-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "issue-sheet", replaced(w.t, sheetData(), dimensionsID.String(), id(99).String())
	},
	"fixture-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.fact(w.state().fixtureKey(fixtureID), `{"name":"Camera board","target":"T-CAM-07","fixture":{"kind":"reflector"},"active":false}`)
		return technician, "issue-sheet", sheetData()
	},
	"bay-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "issue-sheet", replaced(w.t, sheetData(), bayID.String(), id(99).String())
	},
	"instruments-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		readings := w.measured()
		readings[0].Instrument = id(99)
		return technician, "report-readings", readingsData(true, readings)
	},
	"instruments-current": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		w.now = time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC) // the day after they were due
		return technician, "report-readings", readingsData(true, w.measured())
	},
	"alignment-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		readings := w.measured()
		delete(w.facts, w.state().alignmentKey())
		return technician, "report-readings", readingsData(true, readings)
	},
	"no-open-step": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.instruct(`{"step":"go-to-position","position":"left"}`)
		return specialist, "instruct", `{"step":"fit-target"}`
	},
	"not-frozen": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		return technician, "report-readings", readingsData(true, w.measured())
	},
	"no-leg-in-attempt": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.leg()
		return specialist, "issue-sheet", sheetData()
	},
	"sheet-known": func(w *world) (stream.Actor, string, string) {
		w.open()
		return technician, "report-readings", dataOf(w, "report-readings")
	},
	"sheet-newest": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		w.issue()
		w.request()
		w.claim()
		return specialist, "adopt-sheet", `{"sheet":1}`
	},
	"sheet-not-adopted": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return specialist, "adopt-sheet", `{"sheet":1}`
	},
	"sheet-adopted": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		w.request()
		w.claim()
		return specialist, "instruct", `{"step":"fit-target"}`
	},
	"position-known": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return specialist, "instruct", `{"step":"go-to-position","position":"far left"}`
	},
	"large-move": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "report-readings", readingsData(true, w.measured(20_000, 20_000, 20_000, 20_000)))
		return specialist, "instruct", `{"step":"move"}`
	},
	"step-open": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return technician, "read-back", `{"step":1,"target":"T-CAM-07"}`
	},
	"not-yet-matched": func(w *world) (stream.Actor, string, string) {
		w.guided()
		n := w.instruct(`{"step":"fit-target"}`)
		data := fmt.Sprintf(`{"step":%d,"target":"T-CAM-07"}`, n)
		w.do(technician, "read-back", data)
		return technician, "read-back", data
	},
	"read-back-given": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return specialist, "correct", fmt.Sprintf(`{"step":%d}`, w.instruct(`{"step":"fit-target"}`))
	},
	"read-back-matches": func(w *world) (stream.Actor, string, string) {
		w.guided()
		n := w.instruct(`{"step":"fit-target"}`)
		w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"target":"T-CAM-01"}`, n))
		return specialist, "confirm", fmt.Sprintf(`{"step":%d}`, n)
	},
	"not-yet-confirmed": func(w *world) (stream.Actor, string, string) {
		w.guided()
		n := w.instruct(`{"step":"fit-target"}`)
		w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"target":"T-CAM-07"}`, n))
		w.do(specialist, "confirm", fmt.Sprintf(`{"step":%d}`, n))
		return specialist, "withdraw-step", fmt.Sprintf(`{"step":%d}`, n)
	},
	"confirmed": func(w *world) (stream.Actor, string, string) {
		w.guided()
		n := w.instruct(`{"step":"fit-target"}`)
		w.do(technician, "read-back", fmt.Sprintf(`{"step":%d,"target":"T-CAM-07"}`, n))
		return technician, "done", fmt.Sprintf(`{"step":%d}`, n)
	},
	"not-locked": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.place()
		w.lock()
		return technician, "lock", `{}`
	},
	"locked": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.place()
		return technician, "freeze", `{}`
	},
	"facts-unchanged": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.fact(w.state().bayKey(bayID), `{"name":"Bay 2","surveyed":"2026-11-25","expires":"2027-11-25","active":true}`)
		return technician, "bay-clear", `{}`
	},
	"gates-by-leg": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "record-gate", `{"gate":"light-even","met":false,"evidence":"measured"}`)
		w.held()
		return specialist, "go", `{}`
	},
	"scan-clear": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.fact(w.state().scanKey(), `{"when":"before","codes":[{"code":"C0051-00","status":9,"blocking":true}],"blocking":1}`)
		return specialist, "go", `{}`
	},
	"target-fitted": func(w *world) (stream.Actor, string, string) {
		w.open()
		w.issue()
		w.request()
		w.claim()
		w.adopt()
		w.held()
		return specialist, "go", `{}`
	},
	"position-not-run": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.leg()
		w.place()
		w.lock()
		return technician, "freeze", `{}`
	},
	"within-here": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		byHand(w, func(s *State) {
			unsure := *s.place.Verdict
			unsure.Verdict = VerdictUnsure
			s.place.Verdict = &unsure
		})
		return technician, "bay-clear", `{}`
	},
	"frozen": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		byHand(w, func(s *State) { s.place.Stage = Locked })
		return technician, "bay-clear", `{}`
	},
	"closing-held": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.place()
		w.lock()
		w.freeze()
		return technician, "bay-clear", `{}`
	},
	"closing-sees": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		byHand(w, func(s *State) { s.place.Closed = &Closing{Verdict: ClosingHeld, Sees: []string{}} })
		return technician, "bay-clear", `{}`
	},
	"setup-fresh": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.now = w.now.Add(30*time.Minute + time.Second)
		return technician, "bay-clear", `{}`
	},
	"survey-current": func(w *world) (stream.Actor, string, string) {
		w.fact(registerKey(shopID, "bay/"+bayID.String()), `{"name":"Bay 2","surveyed":"2025-06-01","expires":"2026-06-01","active":true}`)
		w.guided()
		w.held()
		w.shopSays(`{"survey":"refuse"}`)
		return technician, "bay-clear", `{}`
	},
	"not-already-said": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.held()
		w.do(technician, "bay-clear", `{}`)
		return technician, "bay-clear", `{}`
	},
	"restart-not-said": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "stop", `{}`)
		w.do(technician, "restart", `{}`)
		return technician, "restart", `{}`
	},
	"outcome-yours": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return technician, "declare", `{"outcome":"not-completed","reason":"It would not learn."}`
	},
	"not-stopped": func(w *world) (stream.Actor, string, string) {
		ranAll(w)
		w.do(technician, "stop", `{}`)
		return specialist, "declare", `{"outcome":"completed"}`
	},
	"all-positions-run": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.leg()
		return specialist, "declare", `{"outcome":"completed"}`
	},
	"no-step-left-open": func(w *world) (stream.Actor, string, string) {
		ranAll(w)
		w.instruct(`{"step":"fit-target"}`)
		return specialist, "declare", `{"outcome":"completed"}`
	},
	"drive-asked": func(w *world) (stream.Actor, string, string) {
		w.guided()
		return technician, "record-drive", dataOf(w, "record-drive")
	},
	"gates-by-drive": func(w *world) (stream.Actor, string, string) {
		w.openDrive("")
		w.do(technician, "record-gate", `{"gate":"second-person","met":true,"evidence":"declared"}`)
		w.do(technician, "request", `{}`)
		w.claim()
		return technician, "record-drive", dataOf(w, "record-drive")
	},
	"drive-in-attempt": func(w *world) (stream.Actor, string, string) {
		w.guidedDrive("")
		return technician, "record-drive", replaced(w.t, dataOf(w, "record-drive"), `"started":"2026-11-25T09`, `"started":"2026-11-25T08`)
	},
	"conditions-known": func(w *world) (stream.Actor, string, string) {
		w.guidedDrive("")
		return technician, "record-drive", replaced(w.t, dataOf(w, "record-drive"), `"dry"`, `"drizzle"`)
	},
	"drive-met": func(w *world) (stream.Actor, string, string) {
		w.guidedDrive("")
		w.do(technician, "record-drive", replaced(w.t, dataOf(w, "record-drive"), `"lowest_kmh":60`, `"lowest_kmh":59`))
		return specialist, "declare", `{"outcome":"completed"}`
	},
	"not-signed": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
		w.do(technician, "sign", `{}`)
		return technician, "sign", `{}`
	},
	"not-completed": func(w *world) (stream.Actor, string, string) {
		ranAll(w)
		w.do(specialist, "declare", `{"outcome":"completed"}`)
		return technician, "hand-over-notice", noticeData
	},
	"notice-handed": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(specialist, "declare", `{"outcome":"not-completed","reason":"It would not learn."}`)
		w.do(technician, "sign", `{}`)
		w.do(specialist, "sign", `{}`)
		return technician, "close", `{}`
	},
	"both-signed": func(w *world) (stream.Actor, string, string) {
		w.guided()
		w.do(technician, "declare", `{"outcome":"withdrawn","reason":"The car leaves."}`)
		w.do(technician, "sign", `{}`)
		return owner, "close", `{}`
	},
}

func ranAll(w *world) {
	w.guided()
	w.leg()
	w.goTo("left")
	w.leg()
	w.goTo("right")
	w.leg()
}

// byHand puts the fold into a state that no command leads to.
func byHand(w *world, change func(*State)) {
	s := *w.state()
	change(&s)
	w.fold.State = &s
}

func TestEachGuardRefusesAlone(t *testing.T) {
	t.Parallel()
	require.ElementsMatch(t, guardNames(), slices.Collect(keys(alone)), "a guard without its case, or a case without its guard")
	for name, way := range alone {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			actor, command, data := way(w)
			before := w.fold.Seq
			_, _, err := w.try(actor, command, data)
			require.True(t, fault.Is(err, fault.NotMet), "%v", err)
			require.Equal(t, fault.Field{Name: "guard", Want: name}, fault.Of(err).Fields[0])
			require.Equal(t, before, w.fold.Seq)
			require.Empty(t, others(w, actor, command, data, name), "other guards refuse too")
		})
	}
}

// others asks every guard of the command but the named one.
func others(w *world, actor stream.Actor, command, data, name string) (refusing []string) {
	r := rowOf(command)
	cmd := stream.Command{ID: id(1), Type: command, Data: sealed(w.t, []byte(data), presentKeys(w.t, data, r.seal))}
	given, err := r.take(cmd.Data, true)
	require.NoError(w.t, err)
	role, err := r.admit(w.state(), actor, "", w.facts)
	require.NoError(w.t, err)
	for _, g := range r.guards {
		if g.name == name || beyond(command, name, g.name) {
			continue
		}
		if why := g.refuses(&asked{row: r, state: w.state(), actor: actor, role: role, data: given, facts: w.facts, now: w.now}); why != "" {
			refusing = append(refusing, g.name+": "+why)
		}
	}
	return refusing
}

// beyond says that a guard has nothing to look at where the other refuses: without a sheet there is none to ask about.
func beyond(command, refusing, other string) bool {
	return refusing == "sheet-known" && command == "report-readings" && other == "alignment-known"
}
