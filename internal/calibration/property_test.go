package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/fault"
	"readback/internal/stream"
)

// TestNoLegWithoutItsInterlocks lets people do anything in any order, half of the time what is expected of them, and
// checks from the entries alone that no leg ever starts without all it needs.
func TestNoLegWithoutItsInterlocks(t *testing.T) {
	t.Parallel()
	legs := 0
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		w.open()
		for range rapid.IntRange(0, 2).Draw(t, "rounds") {
			leadIn(t, w)
		}
		for i, e := range w.made {
			if e.Type == "leg-started" {
				legs++
				require.NoError(t, vouched(w.made[:i+1]))
			}
		}
		for range rapid.IntRange(1, 40).Draw(t, "commands") {
			w.now = w.now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 5, 20, 61, 600, 1900}).Draw(t, "seconds")) * time.Second)
			actor, command, data := anything(t, w)
			advised := false
			switch turn := w.state().Turn(w.now); rapid.IntRange(0, 4).Draw(t, "how") {
			case 0, 1:
				if turn.Who != "" {
					actor, command, data, advised = asExpected(w, turn)
				}
			case 2, 3: // in haste: the words, whether their time has come or not
				if s := w.state(); s.claim != nil && rapid.Bool().Draw(t, "desk first") {
					actor, command, data = stream.Actor{Member: s.claim.Member, Org: s.claim.Desk, Roles: specialist.Roles}, "go", `{}`
				} else {
					actor, command, data = technician, "bay-clear", `{}`
				}
			}
			before, was := w.state(), snapshot(t, w.state())
			e, d, err := w.try(actor, command, data)
			if err != nil {
				var refusal *fault.Error
				require.ErrorAs(t, err, &refusal, "%s %s", command, data)
				require.NotEqual(t, fault.InternalFault, refusal.Slug)
				if advised {
					require.Contains(t, err.Error(), "changed since", "%s was expected and refused", command)
				}
				continue
			}
			require.Equal(t, was, snapshot(t, before), "%s changed an earlier state", command)
			require.Equal(t, e.Type == "leg-started", d.Runs != nil)
			require.Equal(t, before.phase == Running && w.state().phase != Running, d.Ends != nil, "%s", e.Type)
			holdsTogether(t, w.state())
			if e.Type == "leg-started" {
				legs++
				require.NoError(t, vouched(w.made))
			}
		}
		refold(t, w)
	})
	// A run sees about 32, give or take 6.
	require.Greater(t, legs, 10, "a check of legs that sees hardly any proves nothing")
}

// leadIn goes the usual way to a leg and its end, but forgets about every tenth thing on the way.
func leadIn(t *rapid.T, w *world) {
	step := func() int { return max(1, len(w.state().steps)) }
	usual := []struct {
		actor   stream.Actor
		command string
		data    func() string
	}{
		{technician, "issue-sheet", sheetData},
		{technician, "request", nil},
		{specialist, "claim", nil},
		{specialist, "adopt-sheet", func() string { return fmt.Sprintf(`{"sheet":%d}`, max(1, len(w.state().sheets))) }},
		{specialist, "instruct", func() string { return `{"step":"fit-target"}` }},
		{technician, "read-back", func() string { return fmt.Sprintf(`{"step":%d,"target":"T-CAM-07"}`, step()) }},
		{specialist, "confirm", func() string { return fmt.Sprintf(`{"step":%d}`, step()) }},
		{technician, "done", func() string { return fmt.Sprintf(`{"step":%d}`, step()) }},
		{technician, "report-readings", func() string { return dataOf(w, "report-readings") }},
		{technician, "lock", nil}, {technician, "freeze", nil},
		{technician, "report-closing", func() string { return dataOf(w, "report-closing") }},
		{technician, "bay-clear", nil}, {specialist, "go", nil},
		{specialist, "end-leg", func() string { return `{"outcome":"completed"}` }},
	}
	for _, g := range w.state().Gates() {
		if rapid.IntRange(0, 199).Draw(t, "gate forgotten") > 0 {
			_, _, _ = w.try(technician, "record-gate", `{"gate":"`+g.Name+`","met":true,"evidence":"declared"}`)
		}
	}
	for _, u := range usual {
		if rapid.IntRange(0, 9).Draw(t, "forgotten") == 0 {
			continue
		}
		data := `{}`
		if u.data != nil {
			data = u.data()
		}
		_, _, _ = w.try(u.actor, u.command, data) // what builds on something forgotten is refused
	}
}

// anything is a command of anybody, in its form at least.
func anything(t *rapid.T, w *world) (stream.Actor, string, string) {
	actor := rapid.SampledFrom([]stream.Actor{technician, technician, specialist, specialist, colleague, owner, system}).Draw(t, "who")
	command := rapid.SampledFrom(Commands()[1:]).Draw(t, "command")
	pick := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(t, label) }
	step := len(w.state().steps)
	switch command {
	case "record-gate":
		return actor, command, fmt.Sprintf(`{"gate":"%s","met":%s,"evidence":"declared"}`, pick("gate", w.state().gateNames()...), pick("met", "true", "true", "false"))
	case "waive":
		return actor, command, pick("waiver", `{"what":"verdict","reason":"x"}`, `{"what":"gate","gate":"light-even","reason":"x"}`)
	case "adopt-sheet":
		return actor, command, fmt.Sprintf(`{"sheet":%d}`, max(1, len(w.state().sheets)))
	case "instruct":
		return actor, command, pick("step", `{"step":"fit-target"}`, `{"step":"set-height"}`, `{"step":"go-to-position","position":"left"}`)
	case "read-back":
		return actor, command, fmt.Sprintf(`{"step":%d,%s}`, max(1, step), pick("said", `"target":"T-CAM-07"`, `"target":"T-CAM-01"`, `"value_um":550000,"side":"right","position":"left"`))
	case "confirm", "correct", "withdraw-step", "done":
		return actor, command, fmt.Sprintf(`{"step":%d}`, max(1, step))
	case "report-readings", "report-closing":
		if w.state().sheet() == nil || len(w.state().sheet().Plan) == 0 {
			return actor, command, dataOf(w, command)
		}
		off := rapid.SampledFrom([]int64{0, 0, 20_000}).Draw(t, "off")
		if command == "report-closing" {
			return actor, command, closingData(w.closing(off))
		}
		return actor, command, readingsData(rapid.Bool().Draw(t, "moved"), w.measured(0, 0, off))
	case "end-leg":
		return actor, command, pick("end", `{"outcome":"completed"}`, `{"outcome":"not-completed"}`, `{"outcome":"not-completed","routine_holds":true}`)
	case "restart":
		return actor, command, pick("restart", `{}`, `{"routine_holds":true}`)
	case "declare":
		return actor, command, pick("outcome", `{"outcome":"completed"}`, `{"outcome":"interrupted","reason":"x"}`)
	}
	return actor, command, dataOf(w, command)
}

// asExpected does what the turn says.
func asExpected(w *world, turn Turn) (actor stream.Actor, command, data string, advised bool) {
	actor, command, data = expected(w, turn)
	return actor, command, data, true
}

func expected(w *world, turn Turn) (stream.Actor, string, string) {
	actor := technician
	if turn.Who == stream.Specialist {
		actor = specialist
		if w.state().claim != nil {
			actor.Member = w.state().claim.Member
		}
	}
	switch turn.Do {
	case "record-gate":
		return actor, turn.Do, `{"gate":"` + turn.Gate + `","met":true,"evidence":"measured"}`
	case "waive":
		return actor, turn.Do, `{"what":"gate","gate":"` + turn.Gate + `","reason":"x"}`
	case "adopt-sheet":
		return actor, turn.Do, fmt.Sprintf(`{"sheet":%d}`, len(w.state().sheets))
	case "instruct":
		data, _ := json.Marshal(map[string]string{"step": turn.Kind, "position": turn.Position})
		if turn.Position == "" {
			data = []byte(`{"step":"` + turn.Kind + `"}`)
		}
		return actor, turn.Do, string(data)
	case "read-back":
		says := w.state().steps[turn.Step-1].Instruction
		back := map[string]any{"step": turn.Step}
		for key, value := range map[string]string{"position": says.Position, "side": says.Side, "target": says.Target} {
			if value != "" {
				back[key] = value
			}
		}
		if says.ValueUM != nil {
			back["value_um"] = *says.ValueUM
		}
		data, _ := json.Marshal(back)
		return actor, turn.Do, string(data)
	case "confirm", "correct", "done":
		return actor, turn.Do, fmt.Sprintf(`{"step":%d}`, turn.Step)
	case "report-readings":
		return actor, turn.Do, readingsData(true, w.measured())
	case "report-closing":
		return actor, turn.Do, closingData(w.closing(0))
	case "declare":
		return actor, turn.Do, `{"outcome":"completed"}`
	case "restart":
		return actor, turn.Do, `{}`
	}
	return actor, turn.Do, dataOf(w, turn.Do)
}

// holdsTogether checks what is true of every state.
func holdsTogether(t require.TestingT, s *State) {
	p := s.place
	require.Equal(t, p.Verdict == nil, p.Stage == None)
	require.Equal(t, p.Verdict == nil, len(p.Standing) == 0)
	if p.Stage != None && p.Stage != Placed {
		require.True(t, p.Verdict.Verdict == VerdictWithin || p.Waived != nil, "%s while %s", p.Stage, p.Verdict.Verdict)
	}
	if p.Stage == Held {
		require.Equal(t, ClosingHeld, p.Closed.Verdict)
	}
	if p.Waived != nil {
		require.NotNil(t, p.Verdict)
	}
	if s.phase == Guided || s.phase == Running {
		require.NotNil(t, s.claim)
	}
	if s.phase == Waiting || s.phase == Preparing {
		require.Nil(t, s.claim)
	}
	require.Equal(t, s.phase == Stopped, func() bool { _, ok := s.Stop(); return ok }())
	require.LessOrEqual(t, len(s.words), 1)
	running := 0
	for i, a := range s.attempts {
		require.Equal(t, i+1, a.Number)
		require.True(t, a.Over || i == len(s.attempts)-1, "only the last attempt can be open")
		done := map[string]bool{}
		for j, l := range a.Legs {
			require.Equal(t, j+1, l.Number)
			if l.Outcome == LegRunning {
				running++
			}
			if l.Outcome == LegCompleted {
				require.False(t, done[l.Position], "a position is completed once in an attempt")
				done[l.Position] = true
			}
		}
	}
	require.Equal(t, s.phase == Running, running == 1)
	require.LessOrEqual(t, running, 1)
	for i, step := range s.steps {
		require.Equal(t, i+1, step.Number)
		require.True(t, !step.Open() || i == len(s.steps)-1, "only the last step can be open")
	}
}

// vouched goes through the entries, the last of which starts a leg, and says what it lacks. It knows nothing of State.
func vouched(made []stream.Entry) error {
	var (
		sheets, adopted        int
		within, locked, frozen bool
		held, target           bool
		lastReading            time.Time
		open                   = map[int]bool{}
		gates                  = map[string]string{} // name → what holds it back
		grades                 = map[string]string{}
		completed              = map[string]bool{}
		position, sheetsTarget string
		words                  []stream.Entry
		steps                  = map[int]string{}
	)
	lose := func() { within, locked, frozen, held = false, false, false, false }
	for _, e := range made {
		var data struct {
			Gate     string `json:"gate"`
			Met      bool   `json:"met"`
			What     string `json:"what"`
			Sheet    int    `json:"sheet"`
			Step     int    `json:"step"`
			Outcome  string `json:"outcome"`
			Position string `json:"position"`
			Holds    bool   `json:"routine_holds"`
		}
		var decided struct {
			Gates []struct {
				Gate  string `json:"gate"`
				Grade string `json:"grade"`
			} `json:"gates"`
			Sheet    int    `json:"sheet"`
			Adopted  bool   `json:"adopted"`
			Target   string `json:"target"`
			Number   int    `json:"number"`
			Position string `json:"position"`
			Fallen   bool   `json:"fallen"`
			Over     bool   `json:"attempt_over"`
			Same     bool   `json:"same_attempt"`
			Says     struct {
				Target string `json:"target"`
			} `json:"says"`
			Verdict json.RawMessage `json:"verdict"`
			Stage   string          `json:"stage"`
			Closing struct {
				Verdict string `json:"verdict"`
			} `json:"closing"`
		}
		if !strings.Contains(string(e.Command.Data), `"step":"`) {
			_ = json.Unmarshal(e.Command.Data, &data)
		}
		if err := json.Unmarshal(e.Decided, &decided); err != nil {
			return err
		}
		switch e.Type {
		case "opened":
			for _, g := range decided.Gates {
				gates[g.Gate], grades[g.Gate] = "unanswered", g.Grade
			}
		case "gate-recorded":
			gates[data.Gate] = ""
			if !data.Met && grades[data.Gate] != "recorded" {
				gates[data.Gate] = "not met"
			}
		case "waived":
			if data.What == "verdict" {
				within = true
			} else if grades[data.Gate] == "caution" {
				gates[data.Gate] = ""
			}
		case "sheet-issued":
			lose()
			sheets, sheetsTarget, position = decided.Sheet, decided.Target, "centre"
			if decided.Adopted {
				adopted = decided.Sheet
			}
		case "sheet-adopted":
			adopted = data.Sheet
		case "instructed":
			open[decided.Number], steps[decided.Number] = true, decided.Says.Target
		case "step-withdrawn":
			delete(open, data.Step)
		case "step-done":
			delete(open, data.Step)
			if steps[data.Step] != "" {
				target = steps[data.Step] == sheetsTarget
			}
			if decided.Fallen {
				lose()
			}
			position = decided.Position
		case "readings-reported":
			frozen, held, lastReading = false, false, e.At
			var v struct {
				Verdict string `json:"verdict"`
			}
			_ = json.Unmarshal(decided.Verdict, &v)
			within, locked = v.Verdict == "within", decided.Stage == "locked"
		case "locked":
			locked = true
		case "frozen":
			frozen, held = true, false
		case "closing-reported":
			held, lastReading = decided.Closing.Verdict == "held", e.At
		case "setup-voided":
			lose()
		case "stopped":
			held = false
		case "restarted":
			held = false
			if !decided.Same {
				completed = map[string]bool{}
			}
		case "leg-ended":
			locked, frozen, held = false, false, false
			if data.Outcome == "completed" {
				completed[decided.Position] = true
			}
			if decided.Over {
				completed = map[string]bool{}
			}
		case "word-given":
			words = []stream.Entry{e}
			continue
		case "noted":
			continue
		case "leg-started":
			if e.Seq != made[len(made)-1].Seq {
				break
			}
			var lacks []error
			need := func(ok bool, what string) {
				if !ok {
					lacks = append(lacks, errors.New(what))
				}
			}
			need(sheets > 0 && adopted == sheets, "the newest sheet adopted")
			need(target, "the target fitted")
			need(within, "a verdict that is within or waived")
			need(locked && frozen && held, "locked, frozen and held")
			need(len(open) == 0, "no open step")
			need(!completed[position], "a position that has not run")
			need(e.At.Sub(lastReading) <= 30*time.Minute, "a fresh reading")
			need(len(words) == 1 && words[0].By.Role != e.By.Role && words[0].By.Member != e.By.Member, "two words of two people")
			need(len(words) == 1 && e.At.Sub(words[0].At) <= 60*time.Second, "both words within 60 s")
			for _, name := range slices.Sorted(keys(gates)) {
				need(gates[name] == "", "gate "+name+": "+gates[name])
			}
			return errors.Join(lacks...)
		}
		words = nil
	}
	return errors.New("the last entry starts no leg")
}

func FuzzAdmit(f *testing.F) {
	for _, c := range Commands() {
		w := newWorld(f)
		f.Add(c, []byte(dataOf(w, c)))
	}
	f.Add("report-readings", []byte(`{"moved":true,"readings":[{"quantity":"span","value_um":-3}]}`))
	f.Add("issue-sheet", []byte(`{"setup":[1,{"a_um":1e99}],"measure":[null,7]}`))
	w := newWorld(f)
	w.guided()
	w.place()
	states := []*stream.Fold{stream.NewFold(Rules{}, calibrationID), w.fold}
	f.Fuzz(func(t *testing.T, command string, data []byte) {
		cmd := stream.Command{ID: id(1), Type: command, Data: data}
		admitted, seal, err := Rules{}.Admit(cmd)
		if err != nil {
			require.NotEqual(t, fault.InternalFault, fault.Of(err).Slug)
			return
		}
		cmd.Data = sealed(t, admitted, seal)
		for _, fold := range states {
			for _, actor := range []stream.Actor{technician, specialist, owner, system} {
				_, err := Rules{}.Needs(fold.State, actor, cmd)
				require.NoError(t, err, "what was admitted must be readable once it is sealed")
				if _, err := (Rules{}).Decide(fold.State, actor, cmd, w.facts, w.now); err != nil {
					require.NotEqual(t, fault.InternalFault, fault.Of(err).Slug, "%v", err)
				}
			}
		}
	})
}
