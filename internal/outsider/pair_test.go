package outsider_test

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// pair is a technician and a specialist at one calibration, each on a websocket of their own.
type pair struct {
	t           *testing.T
	town        *town
	bay, desk   *line
	job         string
	calibration string
}

// furnish puts the fixture of the examples into the shop's register.
func (w *town) furnish(t *testing.T) {
	t.Helper()
	o := w.signIn(t, owner)
	o.does("register", o.org, "add-fixture", w.example(t, "register", "add-fixture", 0)).want(http.StatusOK)
}

// meet connects both and opens a calibration.
func (w *town) meet(t *testing.T, bay, desk *person) *pair {
	t.Helper()
	p := &pair{t: t, town: w, bay: bay.connects(), desk: desk.connects()}
	p.opens()
	return p
}

// opens opens a job, the car's trouble codes read, and a calibration of its front camera.
func (p *pair) opens() {
	p.t.Helper()
	p.job, p.calibration = newID(p.t), newID(p.t)
	p.on(p.bay, "job", p.job, "open-job", p.town.example(p.t, "job", "open-job", 0))
	p.bay.follows("job", p.job)
	p.on(p.bay, "job", p.job, "record-scan", p.town.example(p.t, "job", "record-scan", 0))
	open := p.town.example(p.t, "calibration", "open", 0)
	open["job"] = p.job
	p.on(p.bay, "calibration", p.calibration, "open", open)
	p.bay.follows("calibration", p.calibration)
}

// on gives a command of any stream, which has to be accepted.
func (p *pair) on(who *line, kind, id, command string, data object) object {
	p.t.Helper()
	c := who.command(kind, id, command, data)
	who.says(c)
	got := who.answered(c)
	require.Equal(p.t, "accepted", got["say"], "%s %v: %v", command, data, got)
	require.Equal(p.t, false, got["repeated"])
	return got
}

// gives gives a command of the calibration, which has to be accepted, and waits until both sides that follow it have seen
// its entry. That is returned.
func (p *pair) gives(who *line, command string, data object) object {
	p.t.Helper()
	got := p.on(who, "calibration", p.calibration, command, data)
	return p.seen(number(p.t, got["seq"]))
}

// seen waits until both sides have seen an entry, and returns it.
func (p *pair) seen(seq int) object {
	p.t.Helper()
	for _, l := range []*line{p.bay, p.desk} {
		if l.last[p.calibration] > 0 {
			l.sees(p.calibration, seq)
		}
	}
	return p.bay.seen[p.calibration][seq-1]["body"].(object)
}

// example gives a command with the data of an example.
func (p *pair) example(who *line, command string, n int) object {
	p.t.Helper()
	return p.gives(who, command, p.town.example(p.t, "calibration", command, n))
}

// state asks for the state of the calibration.
func (p *pair) state(who *line) object {
	p.t.Helper()
	return who.asks(http.MethodGet, "/v1/calibrations/"+p.calibration, nil).want(http.StatusOK)["state"].(object)
}

// asks answers every gate of the calibration, issues the sheet of the examples and asks for a specialist.
func (p *pair) asks() {
	p.t.Helper()
	gates := p.bay.seen[p.calibration][0]["body"].(object)["decided"].(object)["gates"].([]any)
	require.NotEmpty(p.t, gates)
	for _, g := range gates {
		p.gives(p.bay, "record-gate", object{"gate": g.(object)["gate"], "met": true, "evidence": "declared"})
	}
	p.example(p.bay, "issue-sheet", 0)
	p.example(p.bay, "request", 0)
}

// prepares is asks, and the specialist finds the request, claims it and adopts the sheet.
func (p *pair) prepares() {
	p.t.Helper()
	p.asks()
	var request object
	for _, row := range p.desk.asks(http.MethodGet, "/v1/queue", nil).want(http.StatusOK)["waiting"].([]any) {
		if row := row.(object); row["stream"].(object)["id"] == p.calibration {
			request = row
		}
	}
	require.NotNil(p.t, request, "in the desk's queue")
	p.desk.asks(http.MethodGet, "/v1/jobs/"+request["job"].(string), nil).want(http.StatusOK)
	shop := p.desk.asks(http.MethodGet, "/v1/registers/"+request["org"].(string), nil).want(http.StatusOK)["state"].(object)
	sheet := p.state(p.bay)["sheet"].(object)
	require.Equal(p.t, sheet["target"], shop["fixtures"].(object)[sheet["fixture"].(string)].(object)["target"])
	p.desk.follows("calibration", p.calibration)
	p.example(p.desk, "claim", 0)
	p.example(p.desk, "adopt-sheet", 0)
}

// step instructs a step, and has it read back, confirmed and done.
func (p *pair) step(data object) {
	p.t.Helper()
	n, says := p.instructs(data)
	require.Equal(p.t, true, p.gives(p.bay, "read-back", readBack(n, says))["decided"].(object)["matches"])
	p.gives(p.desk, "confirm", object{"step": n})
	p.gives(p.bay, "done", object{"step": n})
}

// instructs instructs a step, and gives its number and what was said.
func (p *pair) instructs(data object) (n any, says object) {
	p.t.Helper()
	decided := p.gives(p.desk, "instruct", data)["decided"].(object)
	return decided["number"], decided["says"].(object)
}

// readBack says back what was instructed: what of these the instruction has.
func readBack(n any, says object) object {
	back := object{"step": n}
	for _, key := range []string{"position", "value_um", "side", "target"} {
		if v, ok := says[key]; ok {
			back[key] = v
		}
	}
	return back
}

// places shows readings that are within the limits, and reports them, which comes to the same; then it locks, freezes, and
// takes closing readings.
func (p *pair) places(example int) {
	p.t.Helper()
	readings := p.town.example(p.t, "calibration", "report-readings", example)
	p.bay.says(object{
		"say": "reading", "stream": object{"kind": "calibration", "id": p.calibration}, "n": 41 + example,
		"moved": readings["moved"], "readings": readings["readings"],
	})
	shown := p.desk.waits("live", func(m object) bool {
		return of(p.calibration)(m) && m["gone"] == nil && number(p.t, m["n"]) == 41+example
	})
	got := p.example(p.bay, "report-readings", example)["decided"].(object)
	require.Equal(p.t, "within", got["verdict"].(object)["verdict"])
	require.Equal(p.t, shown["verdict"], got["verdict"])
	p.closes(example)
}

func (p *pair) closes(example int) {
	p.t.Helper()
	p.example(p.bay, "lock", 0)
	p.example(p.bay, "freeze", 0)
	got := p.example(p.bay, "report-closing", example)["decided"].(object)
	require.Equal(p.t, "held", got["closing"].(object)["verdict"])
}

// runs says the two words; the leg starts.
func (p *pair) runs() {
	p.t.Helper()
	require.Equal(p.t, "word-given", p.example(p.bay, "bay-clear", 0)["type"])
	require.Equal(p.t, "leg-started", p.example(p.desk, "go", 0)["type"])
}
