package job_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/stream"
)

var commands = []string{"open-job", "describe-vehicle", "describe-work", "withdraw-job", "announce-vehicle", "settle-vin", "tie-interface", "untie-interface", "attach-alignment", "record-scan", "note"}

// Every command by every role, of the shop and of another organisation, on a job that is there and on one that is not:
// it makes its entry or is refused with its reason.
func TestEveryPair(t *testing.T) {
	t.Parallel()
	entries := map[string]string{
		"open-job": "job-opened", "describe-vehicle": "vehicle-described", "describe-work": "work-described",
		"withdraw-job": "job-withdrawn", "announce-vehicle": "vehicle-announced", "settle-vin": "vin-settled", "tie-interface": "interface-tied", "untie-interface": "interface-untied", "attach-alignment": "alignment-attached", "record-scan": "scan-recorded", "note": "noted",
	}
	pairs := 0
	for _, command := range commands {
		for _, role := range []stream.Role{stream.Technician, stream.Specialist, stream.Owner, stream.System, stream.Interface} {
			for _, org := range []stream.ID{shop, desk} {
				for _, there := range []bool{false, true} {
					pairs++
					w := newWorld(t)
					if there {
						w = opened(t)
						if command == "settle-vin" {
							w.must(technician, "announce-vehicle", good["announce-vehicle"])
						}
						if command == "untie-interface" {
							w.must(technician, "tie-interface", good["tie-interface"])
						}
					}
					before := w.fold.Seq
					actor := stream.Actor{Member: id(80), Org: org, Roles: []stream.Role{role}}
					w.facts[registerKey(org, "member/"+id(80).String())] = stream.Fact{Value: json.RawMessage(`{"roles":["` + string(role) + `"],"active":true}`)}
					if org == desk {
						w.facts[registerKey(desk, "organisation")] = stream.Fact{Value: json.RawMessage(`{"sort":"desk"}`)}
						w.facts[registerKey(desk, "dimensions/"+sheet.String())] = stream.Fact{Value: json.RawMessage(`{"active":true}`)}
					}
					w.facts[registerKey(org, "interface/"+id(80).String())] = stream.Fact{Value: json.RawMessage(`{"active":true}`)}
					w.facts[registerKey(desk, "interface/"+reader.Member.String())] = stream.Fact{Value: json.RawMessage(`{"active":true}`)}
					works := role == stream.Technician || role == stream.Owner
					device := role == stream.Interface && (command == "open-job" || command == "announce-vehicle")
					e, err := w.do(actor, command, good[command])
					name := []any{"%s by %s, own shop %v, opened %v", command, role, org == shop, there}
					switch {
					case there && org != shop && role != stream.System, command != "open-job" && !there:
						require.Equal(t, access.NotHere(), err, name...)
					case command == "open-job" && there:
						require.True(t, fault.Is(err, fault.AlreadyThere), name...)
					case device && (org == shop || command != "open-job"):
						// What it may say there is another test's.
						require.Contains(t, []string{"only-car", "its-job"}, fault.Of(err).Fields[0].Want, name...)
					case device:
						require.True(t, fault.Is(err, fault.NotMet), name...)
					case !works:
						require.True(t, fault.Is(err, fault.NotYourRole), name...)
					case org != shop:
						require.Equal(t, "in-shop", fault.Of(err).Fields[0].Want, name...)
					default:
						require.NoError(t, err, name...)
						require.Equal(t, entries[command], e.Type)
						require.Equal(t, role, e.By.Role)
						continue
					}
					require.Equal(t, before, w.fold.Seq, "a refusal changes nothing")
				}
			}
		}
	}
	require.Equal(t, 11*5*2*2, pairs)
}

// In each row everything holds but one guard.
func TestEachGuardAloneRefuses(t *testing.T) {
	t.Parallel()
	me := "member/" + technician.Member.String()
	for _, c := range []struct {
		guard, command string
		facts          stream.Facts
	}{
		{"employed", "open-job", without(me)},
		{"employed", "open-job", with(me, `{"roles":["technician"],"active":false}`)},
		{"employed", "open-job", with(me, `{"roles":["specialist"],"active":true}`)},
		{"employed", "open-job", with(me, `"nonsense"`)},
		{"employed", "attach-alignment", without(me)},
		{"employed", "record-scan", without(me)},
		{"employed", "note", without(me)},
		{"employed", "describe-vehicle", without(me)},
		{"employed", "describe-work", without(me)},
		{"employed", "withdraw-job", without(me)},
		{"employed", "announce-vehicle", without(me)},
		{"interface-in-use", "tie-interface", without("interface/" + reader.Member.String())},
		{"interface-in-use", "tie-interface", with("interface/"+reader.Member.String(), `{"active":false}`)},
		{"interface-in-use", "tie-interface", with("interface/"+reader.Member.String(), `{"instruments":["`+id(90).String()+`"],"active":true}`)},
		{"sheet-in-use", "describe-vehicle", without("dimensions/" + sheet.String())},
		{"sheet-in-use", "describe-vehicle", with("dimensions/"+sheet.String(), `{"active":false}`)},
		{"in-shop", "open-job", without("organisation")},
		{"in-shop", "open-job", with("organisation", `{"sort":"desk"}`)},
		{"sheet-in-use", "open-job", without("dimensions/" + sheet.String())},
		{"sheet-in-use", "open-job", with("dimensions/"+sheet.String(), `{"active":false}`)},
	} {
		w := newWorld(t)
		if c.command != "open-job" {
			w = opened(t)
		}
		w.facts = c.facts
		_, err := w.do(technician, c.command, good[c.command])
		require.True(t, fault.Is(err, fault.NotMet), "%s %s: %v", c.guard, c.command, err)
		require.Equal(t, []fault.Field{{Name: "guard", Want: c.guard}}, fault.Of(err).Fields)
		w.facts = facts()
		w.must(technician, c.command, good[c.command])
	}
}

func TestStale(t *testing.T) {
	t.Parallel()
	for _, command := range commands {
		own := map[string]string{
			"attach-alignment": "alignment-attached", "record-scan": "scan-recorded", "describe-vehicle": "vehicle-described",
			"describe-work": "work-described", "announce-vehicle": "vehicle-announced", "withdraw-job": "job-withdrawn",
		}
		for _, entry := range job.Entries() {
			want := own[command] == entry ||
				strings.HasSuffix(command, "tie-interface") && strings.HasPrefix(entry, "interface-") ||
				command == "settle-vin" && (entry == "vehicle-announced" || entry == "vehicle-described" || entry == "vin-settled")
			require.Equal(t, want, job.Rules{}.Stale(command, entry), "%s after %s", command, entry)
		}
	}
}

// A plain personal value never becomes an entry, even if whoever drives the rules forgets to seal it.
func TestNothingPersonalPassesUnsealed(t *testing.T) {
	t.Parallel()
	for _, command := range []string{"open-job", "describe-vehicle", "withdraw-job", "note"} {
		w := newWorld(t)
		if command != "open-job" {
			w = opened(t)
		}
		plain, keys, err := w.fold.Rules.Admit(stream.Command{Type: command, Data: json.RawMessage(good[command])})
		require.NoError(t, err)
		for _, forgotten := range keys {
			var some []string
			for _, key := range keys {
				if key != forgotten {
					some = append(some, key)
				}
			}
			cmd := stream.Command{Type: command, Data: seal(t, plain, some)}
			_, err := w.fold.Rules.Decide(w.fold.State, technician, cmd, facts(), now)
			require.ErrorContains(t, err, "not sealed", forgotten)
		}
	}
}

func TestApplyRefusesWhatTheseRulesNeverWrite(t *testing.T) {
	t.Parallel()
	w := opened(t)
	e := w.must(technician, "note", good["note"])
	for _, change := range []func(*stream.Entry){
		func(e *stream.Entry) { e.V = 2 },
		func(e *stream.Entry) { e.Type = "scan-recorded" },
		func(e *stream.Entry) { e.Command.Type = "forget" },
		func(e *stream.Entry) { e.Command.Data = json.RawMessage(`{"text":"plain"}`) },
		func(e *stream.Entry) { e.Command.Data = json.RawMessage(`[]`) },
	} {
		bad := e
		change(&bad)
		_, err := w.fold.Rules.Apply(w.fold.State, bad)
		require.Error(t, err)
	}
}
