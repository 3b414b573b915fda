package proof_test

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/calibration"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

const (
	theCamera   = stream.Calibration
	theJob      = stream.Job
	theRegister = stream.Register
)

// nth finds the number of the nth entry of a type, counted from 1.
func (f *forger) nth(kind stream.Kind, typ string, n int) int {
	for i := range f.records[kind] {
		if e := f.entry(kind, i+1); e.Type == typ {
			if n--; n == 0 {
				return i + 1
			}
		}
	}
	f.t.Fatalf("no %s", typ)
	return 0
}

// touched is a JSON value with what stands at the path changed. A step is a key or, in a list, a number.
func touched(t testing.TB, raw json.RawMessage, change func(was any) any, path ...any) json.RawMessage {
	d := json.NewDecoder(bytes.NewReader(raw))
	d.UseNumber()
	var doc any
	require.NoError(t, d.Decode(&doc))
	at := doc
	for i, step := range path {
		last := i == len(path)-1
		switch key := step.(type) {
		case string:
			m := at.(map[string]any)
			require.Contains(t, m, key)
			if last {
				m[key] = change(m[key])
			}
			at = m[key]
		case int:
			l := at.([]any)
			if last {
				l[key] = change(l[key])
			}
			at = l[key]
		}
	}
	out, err := json.Marshal(doc)
	require.NoError(t, err)
	return out
}

// by adds to a whole number.
func by(n int64) func(any) any {
	return func(was any) any {
		v, _ := was.(json.Number).Int64()
		return v + n
	}
}

// to puts something else in its place.
func to(v any) func(any) any { return func(any) any { return v } }

// decided changes what an entry says was decided and mends the chain.
func (f *forger) decided(kind stream.Kind, seq int, change func(any) any, path ...any) {
	f.change(kind, seq, func(e *stream.Entry) { e.Decided = touched(f.t, e.Decided, change, path...) })
	f.rehash(kind)
}

// commanded changes what an entry says was commanded and mends the chain.
func (f *forger) commanded(kind stream.Kind, seq int, change func(any) any, path ...any) {
	f.change(kind, seq, func(e *stream.Entry) { e.Command.Data = touched(f.t, e.Command.Data, change, path...) })
	f.rehash(kind)
}

// fact changes the value of a fact in the first entry that stores it, mends the chain, and gives the entry's number.
func (f *forger) fact(kind stream.Kind, name string, change func(any) any, path ...any) int {
	for i := range f.records[kind] {
		for _, fact := range f.entry(kind, i+1).Facts {
			if fact.Key.Name != name {
				continue
			}
			f.change(kind, i+1, func(e *stream.Entry) {
				for j := range e.Facts {
					if e.Facts[j].Key.Name == name {
						e.Facts[j].Value = touched(f.t, e.Facts[j].Value, change, path...)
					}
				}
			})
			f.rehash(kind)
			return i + 1
		}
	}
	f.t.Fatalf("no fact %s", name)
	return 0
}

// given is the value that a stream's entry gives by its rules, as a fact for others.
func (f *forger) given(kind stream.Kind, seq int, name string) stream.Fact {
	fold := stream.NewFold(app.Rules()[kind], f.records[kind][0].Stream)
	for _, r := range f.records[kind][:seq] {
		e, err := trail.Decode(r)
		require.NoError(f.t, err)
		require.NoError(f.t, fold.Apply(e))
	}
	fact, ok := fold.Fact(name)
	require.True(f.t, ok)
	return fact
}

// takes puts another fact in the place of the one of that name that the first entry of a type stores.
func (f *forger) takes(kind stream.Kind, typ string, fact stream.Fact) {
	f.change(kind, f.nth(kind, typ, 1), func(e *stream.Entry) {
		e.Facts = slices.Clone(e.Facts)
		at := slices.IndexFunc(e.Facts, func(have stream.Fact) bool { return have.Key == fact.Key })
		require.GreaterOrEqual(f.t, at, 0)
		e.Facts[at] = fact
	})
	f.rehash(kind)
}

// moved gives an entry another time and mends the chain.
func (f *forger) moved(kind stream.Kind, seq int, at time.Time) {
	f.change(kind, seq, func(e *stream.Entry) { e.At = at })
	f.rehash(kind)
}

// forgery is one way to change the golden trails, what must be found first, and in which entry.
type forgery struct {
	about  string
	forge  func(f *forger) (stream.Kind, int) // gives the first bad entry
	reason proof.Reason
	why    string // part of the sentence
}

// byTheKeeper are the forgeries of somebody who mends the chain and signs with the server's own key: the hashes and the
// signature hold, and what finds them is that every entry is decided again.
func byTheKeeper() []forgery {
	return []forgery{
		// Verdicts and other numbers.
		{"a deviation two units better", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 3)
			f.decided(theCamera, n, by(2), "verdict", "judged", 0, "deviation_um")
			return theCamera, n
		}, proof.Otherwise, "verdict.judged[0].deviation_um"},
		{"adjust turned into within", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 1)
			f.decided(theCamera, n, to("within"), "verdict", "verdict")
			return theCamera, n
		}, proof.Otherwise, `verdict.verdict is recorded as "within" and comes out as "adjust"`},
		{"another reading under suspicion", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 2)
			f.decided(theCamera, n, by(1), "verdict", "suspects", 0, "reading")
			return theCamera, n
		}, proof.Otherwise, "verdict.suspects[0].reading"},
		{"one degree of freedom more", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 3)
			f.decided(theCamera, n, by(1), "verdict", "degrees_of_freedom")
			return theCamera, n
		}, proof.Otherwise, "verdict.degrees_of_freedom"},
		{"a reading changed where it was commanded", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 1)
			f.commanded(theCamera, n, by(1000), "readings", 0, "value_um")
			return theCamera, n
		}, proof.Otherwise, "stands[0].value_um"},
		{"a reading changed wherever that entry has it", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 1)
			f.commanded(theCamera, n, by(1000), "readings", 0, "value_um")
			f.decided(theCamera, n, by(1000), "stands", 0, "value_um")
			return theCamera, n
		}, proof.Otherwise, "verdict"},
		{"what is expected at a position", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "sheet-issued", 2)
			f.decided(theCamera, n, by(2), "plan", 1, "readings", 0, "expected_um")
			return theCamera, n
		}, proof.Otherwise, "plan[1].readings[0].expected_um"},
		{"an instruction's number", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "instructed", 3)
			f.decided(theCamera, n, by(-2), "says", "value_um")
			return theCamera, n
		}, proof.Otherwise, "says.value_um"},
		{"an instruction to the other side", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "instructed", 3)
			f.decided(theCamera, n, to("right"), "says", "side")
			return theCamera, n
		}, proof.Otherwise, "says.side"},
		{"a wrong read-back that passes for right", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "read-back", 1)
			f.change(theCamera, n, func(e *stream.Entry) { e.Decided = json.RawMessage(`{"matches":true}`) })
			f.rehash(theCamera)
			return theCamera, n
		}, proof.Otherwise, "matches"},
		{"closing readings that moved pass for held", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "closing-reported", 1)
			f.commanded(theCamera, n, by(40_000), "readings", 0, "value_um")
			f.decided(theCamera, n, by(40_000), "stands", 0, "value_um")
			return theCamera, n
		}, proof.Otherwise, "closing.verdict"},
		{"the thrust of the job's alignment", func(f *forger) (stream.Kind, int) {
			f.decided(theJob, 2, by(1), "thrust_udeg")
			f.repoint(theCamera, theJob)
			return theJob, 2
		}, proof.Otherwise, "thrust_udeg"},

		// The two words.
		{"a leg without its first word", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "word-given", 2)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.Otherwise, "says leg-started (version 1); by the rules it would be word-given"},
		{"a leg whose first word ran out", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "leg-started", 1)
			said := f.entry(theCamera, n).At.Add(-calibration.WordWindow - time.Millisecond)
			f.moved(theCamera, n-1, said)
			f.decided(theCamera, n, to(said), "words", 0, "at")
			return theCamera, n
		}, proof.Otherwise, "says leg-started (version 1); by the rules it would be word-given"},
		{"both words of the same side", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "leg-started", 1)
			f.change(theCamera, n, func(e *stream.Entry) {
				e.By = f.entry(theCamera, n-1).By
				e.Command.Type, e.Facts = "bay-clear", nil
				e.Decided = touched(f.t, e.Decided, to(map[string]any{"role": e.By.Role, "member": e.By.Member, "at": e.At}), "words", 1)
			})
			f.rehash(theCamera)
			return theCamera, n
		}, proof.NotDecided, "You have said it"},
		{"both words of the same person", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "leg-started", 1)
			f.change(theCamera, n, func(e *stream.Entry) {
				e.By.Member = technician.Member
				e.Decided = touched(f.t, e.Decided, to(technician.Member), "words", 1, "member")
			})
			f.rehash(theCamera)
			return theCamera, n
		}, proof.NotDecided, "the specialist who has claimed"},

		// What holds a step back.
		{"frozen without being locked", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "locked", 1)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "not locked"},
		{"locked while the verdict was remeasure", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "readings-reported", 3)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "remeasure, not within"},
		{"a word without closing readings", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "closing-reported", 1)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "no closing readings"},
		{"a word on closing readings from before the stop", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "closing-reported", 2)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "no closing readings"},
		{"a word while a gate was waived by nobody", func(f *forger) (stream.Kind, int) {
			f.remove(theCamera, f.nth(theCamera, "waived", 1))
			f.redecide(calibration.Rules{}, theCamera)
			return theCamera, f.nth(theCamera, "word-given", 1)
		}, proof.NotDecided, "light-even"},
		{"a request while a required gate was not met", func(f *forger) (stream.Kind, int) {
			for i := range f.records[theCamera] {
				if e := f.entry(theCamera, i+1); e.Type == "gate-recorded" && bytes.Contains(e.Command.Data, []byte("tyres-set")) {
					f.commanded(theCamera, i+1, to(false), "met")
					f.decided(theCamera, i+1, to(false), "met")
				}
			}
			return theCamera, f.nth(theCamera, "guidance-requested", 1)
		}, proof.NotDecided, "tyres-set"},
		{"a step done before its read-back was confirmed", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "confirmed", 2)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "not confirmed"},
		{"a confirmation of a read-back that was never corrected", func(f *forger) (stream.Kind, int) {
			f.remove(theCamera, f.nth(theCamera, "corrected", 1))
			n := f.nth(theCamera, "read-back", 2)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "does not match"},
		{"restarted on one side's word", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "restart-agreed", 1)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.Otherwise, "says restarted (version 1); by the rules it would be restart-agreed"},
		{"a stop taken out", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "stopped", 1)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.NotDecided, "The calibration is running"},
		{"a set-up that was never voided", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "setup-voided", 1)
			f.remove(theCamera, n)
			return theCamera, n // the readings after it name themselves by their entry's number
		}, proof.Otherwise, "stands[0].entry"},
		{"declared while a leg ran", func(f *forger) (stream.Kind, int) {
			f.remove(theCamera, f.nth(theCamera, "leg-ended", 2))
			return theCamera, f.nth(theCamera, "result-declared", 1)
		}, proof.NotDecided, "The calibration is running"},
		{"closed with one signature", func(f *forger) (stream.Kind, int) {
			f.remove(theCamera, f.nth(theCamera, "signed", 2))
			return theCamera, f.nth(theCamera, "closed", 1)
		}, proof.NotDecided, "signature of the specialist"},
		{"something after the end", func(f *forger) (stream.Kind, int) {
			n := len(f.records[theCamera]) + 1
			e := f.entry(theCamera, f.nth(theCamera, "noted", 1))
			e.Seq, e.At, e.Prev = uint64(n), f.entry(theCamera, n-1).At, stream.Hash{1}
			e.Command.ID, e.Command.Base = idOf(0xee), uint64(n-1)
			r, err := trail.Encode(e)
			require.NoError(f.t, err)
			f.records[theCamera] = append(f.records[theCamera], r)
			f.rehash(theCamera)
			return theCamera, n
		}, proof.NotDecided, "The calibration is closed"},
		{"a command answered twice", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "signed", 2)
			f.change(theCamera, n, func(e *stream.Entry) { e.Command.ID = f.entry(theCamera, 7).Command.ID })
			f.rehash(theCamera)
			return theCamera, n
		}, proof.Repeated, "by entry 7"},
		{"an instruction that its sender could not see", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "lapsed", 1)
			f.change(theCamera, n, func(e *stream.Entry) { e.Command.Base-- })
			f.rehash(theCamera)
			return theCamera, n
		}, proof.NotDecided, "came after"},

		// Facts.
		{"a finer instrument", func(f *forger) (stream.Kind, int) {
			f.fact(theCamera, "instrument/"+laserID.String(), to(100), "instrument", "standard_uncertainty_um")
			return theCamera, f.nth(theCamera, "readings-reported", 1)
		}, proof.Otherwise, "verdict"},
		{"an instrument long past its due date", func(f *forger) (stream.Kind, int) {
			f.fact(theCamera, "instrument/"+laserID.String(), to("2026-11-01"), "due")
			return theCamera, f.nth(theCamera, "readings-reported", 1)
		}, proof.NotDecided, "Laser 1 was due on 2026-11-01"},
		{"a specialist whose competence ran out", func(f *forger) (stream.Kind, int) {
			n := f.fact(theCamera, "member/"+colleague.Member.String(), to("2026-11-24"), "competences", 0, "expires")
			return theCamera, n
		}, proof.NotDecided, "ran out on 2026-11-24"},
		{"a fact left out", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "sheet-issued", 1)
			f.change(theCamera, n, func(e *stream.Entry) {
				e.Facts = slices.DeleteFunc(slices.Clone(e.Facts), func(fact stream.Fact) bool { return fact.Key.Name == "alignment" })
			})
			f.rehash(theCamera)
			return theCamera, n
		}, proof.Otherwise, "cautions is missing"},
		{"an alignment that the job never gave, and all that follows from it", func(f *forger) (stream.Kind, int) {
			n := f.fact(theCamera, "alignment", to(0), "rear_toe_udeg", "left")
			f.redecide(calibration.Rules{}, theCamera)
			return theCamera, n
		}, proof.NotGiven, "entry 2 there does not give: alignment"},
		{"a scan of an entry that the job does not have", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "word-given", 1)
			f.change(theCamera, n, func(e *stream.Entry) {
				for i := range e.Facts {
					if e.Facts[i].Key.Name == "scan" {
						e.Facts[i].Seq = 9
					}
				}
			})
			f.rehash(theCamera)
			return theCamera, n
		}, proof.NotGiven, "entry 9"},
		{"a blocking code put into the job's scan afterwards", func(f *forger) (stream.Kind, int) {
			f.commanded(theJob, f.nth(theJob, "scan-recorded", 1), to(true), "codes", 0, "blocking")
			f.repoint(theCamera, theJob)
			return theCamera, f.nth(theCamera, "word-given", 1)
		}, proof.NotGiven, "scan"},
		{"a job hashed anew under a calibration that relied on it", func(f *forger) (stream.Kind, int) {
			f.commanded(theJob, 1, to(99_000), "mileage_km")
			return theCamera, 1
		}, proof.NotGiven, "vehicle"},
		{"words on an old scan: the job had recorded a blocking code two minutes before", func(f *forger) (stream.Kind, int) {
			blocking := f.nth(theJob, "scan-recorded", 2)
			f.change(theJob, blocking, func(e *stream.Entry) {
				e.At = f.entry(theCamera, f.nth(theCamera, "leg-started", 3)).At.Add(-2 * time.Minute)
				e.Command.Data = json.RawMessage(`{"codes":[{"blocking":true,"code":"C0051","status":8}],"source":"device","when":"before"}`)
			})
			f.rehash(theJob)
			f.takes(theCamera, "result-declared", f.given(theJob, blocking, "scan"))
			f.redecide(calibration.Rules{}, theCamera)
			return theCamera, f.nth(theCamera, "leg-started", 3)
		}, proof.OldFacts, "before entry 5 there, which was made 2m0s earlier"},
		{"a sheet without the alignment that the job had", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "sheet-issued", 1)
			for seq := 1; seq <= 2; seq++ {
				f.moved(theJob, seq, f.entry(theCamera, n).At.Add(-2*time.Minute))
			}
			f.repoint(theCamera, theJob)
			var alignment stream.Fact
			f.change(theCamera, n, func(e *stream.Entry) {
				e.Facts = slices.DeleteFunc(slices.Clone(e.Facts), func(fact stream.Fact) bool {
					if fact.Key.Name == "alignment" {
						alignment = fact
					}
					return fact.Key.Name == "alignment"
				})
			})
			f.change(theCamera, n+1, func(e *stream.Entry) { e.Facts = []stream.Fact{alignment} })
			f.rehash(theCamera)
			f.redecide(calibration.Rules{}, theCamera)
			return theCamera, n
		}, proof.OldFacts, "before entry 2 there, which was made 2m0s earlier"},
		{"work dated before what it relies on", func(f *forger) (stream.Kind, int) {
			late := f.entry(theCamera, f.nth(theCamera, "result-declared", 1)).At
			for seq := 2; seq <= len(f.records[theJob]); seq++ {
				f.moved(theJob, seq, late)
			}
			f.repoint(theCamera, theJob)
			return theCamera, f.nth(theCamera, "sheet-issued", 1)
		}, proof.NotGiven, "gave only 14m8s later: alignment"},
		{"rules that nobody has", func(f *forger) (stream.Kind, int) {
			f.change(theCamera, 1, func(e *stream.Entry) { e.Opens = &stream.Opens{Rules: 99} })
			f.decided(theCamera, f.nth(theCamera, "readings-reported", 1), to("within"), "verdict", "verdict")
			return theCamera, 0
		}, proof.UnknownRules, "rules 99"},

		// What is sealed, and the key.
		{"two sealed values exchanged", func(f *forger) (stream.Kind, int) {
			var data map[string]json.RawMessage
			require.NoError(f.t, json.Unmarshal(f.entry(theJob, 1).Command.Data, &data))
			f.commanded(theJob, 1, to(data["plate"]), "vin")
			f.commanded(theJob, 1, to(data["vin"]), "plate")
			f.repoint(theCamera, theJob)
			return theJob, 1
		}, proof.BadSeal, "at plate"},
		{"the text of another calibration's note", func(f *forger) (stream.Kind, int) {
			other, err := trail.Decode(f.radar[1])
			require.NoError(f.t, err)
			n := f.nth(theCamera, "noted", 1)
			f.change(theCamera, n, func(e *stream.Entry) { e.Command.Data = other.Command.Data })
			f.rehash(theCamera)
			return theCamera, n
		}, proof.BadSeal, "at text"},
		{"a personal value in the open", func(f *forger) (stream.Kind, int) {
			f.commanded(theJob, 1, to("INV 100"), "plate")
			f.repoint(theCamera, theJob)
			return theJob, 1
		}, proof.NotDecided, "not sealed"},
		{"a commitment to another key", func(f *forger) (stream.Kind, int) {
			key, err := trail.NewKey(f.jobKey.ID(), rand.Reader)
			require.NoError(f.t, err)
			commitment := key.Commitment()
			f.change(theJob, 1, func(e *stream.Entry) { e.Opens.Commitment = &commitment })
			f.rehash(theJob)
			f.repoint(theCamera, theJob)
			f.jobKey = key
			return theCamera, 1
		}, proof.BadSeal, "member/"},

		// Entries from elsewhere.
		{"an entry of another calibration", func(f *forger) (stream.Kind, int) {
			f.records[theCamera][1] = f.radar[1]
			f.rehash(theCamera)
			return theCamera, 2
		}, proof.OtherStream, radarRef.String()},
		{"an entry of another calibration that says it is of this one", func(f *forger) (stream.Kind, int) {
			f.records[theCamera][1] = f.radar[1]
			f.change(theCamera, 2, func(e *stream.Entry) { e.Stream, e.At = cameraRef, f.entry(theCamera, 1).At })
			f.rehash(theCamera)
			return theCamera, 2
		}, proof.BadSeal, "at text"},
		{"two entries exchanged", func(f *forger) (stream.Kind, int) {
			list := f.records[theCamera]
			list[4], list[5] = list[5], list[4]
			f.rehash(theCamera)
			return theCamera, 5
		}, proof.BadOrder, "calls itself entry 6"},
		{"a calibration of another job", func(f *forger) (stream.Kind, int) {
			f.commanded(theCamera, 1, to(idOf(0x7e)), "job")
			return theCamera, 1
		}, proof.NotDecided, "no such job"},
	}
}
