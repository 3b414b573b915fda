package proof_test

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	mathrand "math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/app"
	"readback/internal/calibration"
	"readback/internal/fault"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

func requireFirst(t *testing.T, r proof.Report, reason proof.Reason, kind stream.Kind, seq int, why string) {
	t.Helper()
	require.NotEmpty(t, r.Findings, "found nothing")
	first := r.Findings[0]
	require.Equal(t, reason, first.Reason, r.String())
	require.Equal(t, kind, first.Stream.Kind, r.String())
	require.Equal(t, uint64(seq), first.Seq, r.String())
	require.Contains(t, first.Why, why)
}

func TestForgeriesOfTheKeeperAreFound(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	for _, c := range byTheKeeper() {
		t.Run(c.about, func(t *testing.T) {
			t.Parallel()
			f := honest.clone(t)
			kind, seq := c.forge(f)
			r, err := proof.Bundle(f.bundle(), f.options())
			require.NoError(t, err)
			require.True(t, r.Signer.Trusted, "the signature itself holds")
			requireFirst(t, r, c.reason, kind, seq, c.why)
			require.True(t, fault.Is(r.Err(), fault.NotProven))
		})
	}
}

// TestOneUnitPassesByDesign: another processor may round the last unit otherwise. Two units are no rounding.
func TestOneUnitPassesByDesign(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	for _, n := range []int64{-2, -1, 0, 1, 2} {
		for _, c := range []struct {
			typ  string
			nth  int
			path []any
		}{
			{"readings-reported", 1, []any{"verdict", "judged", 0, "deviation_um"}},
			{"readings-reported", 3, []any{"verdict", "pose", "origin_um", "x"}},
			{"sheet-issued", 1, []any{"plan", 0, "readings", 9, "expected_udeg"}},
			{"instructed", 3, []any{"says", "from_here", "um"}},
		} {
			f := honest.clone(t)
			seq := f.nth(theCamera, c.typ, c.nth)
			f.decided(theCamera, seq, by(n), c.path...)
			r, err := proof.Bundle(f.bundle(), f.options())
			require.NoError(t, err)
			if n >= -1 && n <= 1 {
				require.True(t, r.Proven(), "%v by %d: %s", c.path, n, r)
			} else {
				requireFirst(t, r, proof.Otherwise, theCamera, seq, c.path[0].(string))
			}
		}
	}
}

// TestTheWordsWindow: a word counts for 60 seconds and not a millisecond longer. How the words are said is what the
// workshop agreed on (common practice, no source).
func TestTheWordsWindow(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	for _, c := range []struct {
		before time.Duration
		proven bool
	}{{calibration.WordWindow, true}, {calibration.WordWindow + time.Millisecond, false}} {
		f := honest.clone(t)
		leg := f.nth(theCamera, "leg-started", 3)
		said := f.entry(theCamera, leg).At.Add(-c.before)
		f.moved(theCamera, leg-1, said)
		f.decided(theCamera, leg, to(said), "words", 0, "at")
		r, err := proof.Bundle(f.bundle(), f.options())
		require.NoError(t, err)
		require.Equal(t, c.proven, r.Proven(), r.String())
		if !c.proven {
			requireFirst(t, r, proof.Otherwise, theCamera, leg, "it would be word-given")
		}
	}
}

// TestChangedBytes changes single bytes of every file of the bundle and asks for the reason and, in a trail, the entry.
func TestChangedBytes(t *testing.T) {
	t.Parallel()
	f := golden(t, newest)
	whole := f.bundle()
	b, err := trail.ReadBundle(whole)
	require.NoError(t, err)
	random := mathrand.New(mathrand.NewPCG(3, 5))
	reasons := map[string][]proof.Reason{
		trail.ReadmeFile:      {proof.BadFile},
		trail.CalibrationFile: {proof.BadHash, proof.BadForm, proof.BadOrder, proof.OtherStream},
		trail.JobFile:         {proof.BadHash, proof.BadForm, proof.BadOrder, proof.OtherStream},
		// What is sealed does not open with another key. A key in another form is none, and its check sum is wrong.
		trail.JobKeyFile: {proof.BadSeal, proof.BadKey, proof.BadFile},
		// A head that says something else is held against the trail before anyone asks who signed.
		trail.HeadsFile: {proof.BadSignature, proof.BadHead, proof.MissingTail, proof.OtherStream},
	}
	kinds := map[string]stream.Kind{trail.CalibrationFile: theCamera, trail.JobFile: theJob}
	for _, name := range []string{trail.ReadmeFile, trail.CalibrationFile, trail.JobFile, trail.JobKeyFile, trail.HeadsFile} {
		data, ok := b.File(name)
		require.True(t, ok, name)
		from := bytes.Index(whole, data)
		places := []int{0, len(data) - 1}
		for range 7 {
			places = append(places, random.IntN(len(data)))
		}
		for _, at := range places {
			changed := bytes.Clone(whole)
			changed[from+at] ^= byte(1 + random.IntN(255))
			r, err := proof.Bundle(changed, f.options())
			require.NoError(t, err)
			require.NotEmpty(t, r.Findings, "%s, byte %d", name, at)
			first := r.Findings[0]
			require.Contains(t, reasons[name], first.Reason, "%s, byte %d: %s", name, at, r)
			if kind, ok := kinds[name]; ok {
				require.Equal(t, kind, first.Stream.Kind, "%s, byte %d: %s", name, at, r)
				require.Equal(t, uint64(1+bytes.Count(data[:at], []byte("\n"))), first.Seq, "%s, byte %d: %s", name, at, r)
			}
			about := []string{}
			for _, finding := range r.Findings {
				about = append(about, finding.File)
			}
			require.Contains(t, about, "", "the archive's own check sum is wrong too")
		}
	}
}

// TestNoFlippedBitIsProven: one bit anywhere in the archive, its headers too, also for somebody who trusts no key.
func TestNoFlippedBitIsProven(t *testing.T) {
	t.Parallel()
	f := golden(t, newest)
	whole := f.bundle()
	random := mathrand.New(mathrand.NewPCG(17, 19))
	o := app.ProofOptions(nil)
	named := 0
	const flips = 80
	for range flips {
		bit := random.IntN(8 * len(whole))
		changed := bytes.Clone(whole)
		changed[bit/8] ^= 1 << (bit % 8)
		r, err := proof.Bundle(changed, o)
		if err != nil {
			require.True(t, fault.Is(err, fault.Malformed), "bit %d: %v", bit, err)
			continue
		}
		require.False(t, r.Proven(), "bit %d", bit)
		named++
	}
	require.Greater(t, named, flips*9/10, "nearly all can be named")
}

// TestOthersCannot: what somebody without the server's key does, against a reader who has the verifier key.
func TestOthersCannot(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	prove := func(t *testing.T, f *forger, bundle []byte) proof.Report {
		r, err := proof.Bundle(bundle, f.options())
		require.NoError(t, err)
		require.False(t, r.Proven())
		return r
	}
	// withOldHeads puts the heads that the server signed into a bundle of other trails.
	withOldHeads := func(t *testing.T, of, f *forger) []byte {
		was, err := trail.ReadBundle(of.bundle())
		require.NoError(t, err)
		is, err := trail.ReadBundle(f.bundle())
		require.NoError(t, err)
		old, _ := was.File(trail.HeadsFile)
		now, _ := is.File(trail.HeadsFile)
		require.Equal(t, len(old), len(now), "so that the archive keeps its shape")
		return bytes.Replace(f.bundle(), now, old, 1)
	}

	t.Run("hashed again and signed with a key of their own", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		f.commanded(theCamera, 5, to("measured"), "evidence") // the rules allow it
		f.signer = newSigner(t, "north.example")
		r := prove(t, f, f.bundle())
		require.Equal(t, proof.OtherSigner, r.Findings[0].Reason, r.String())
		require.False(t, r.Signer.Trusted)

		r, err := proof.Bundle(f.bundle(), app.ProofOptions(nil))
		require.NoError(t, err)
		require.True(t, r.Proven())
		require.Contains(t, r.String(), "Signer unproven", "which is all that can be said without the key")
	})
	t.Run("the tail removed", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		last := len(f.records[theCamera])
		f.records[theCamera] = f.records[theCamera][:last-4]
		requireFirst(t, prove(t, f, withOldHeads(t, honest, f)), proof.MissingTail, theCamera, last-3, "entry 72 was the last one")

		before := honest.clone(t) // of the time when the job's head had one digit, too
		before.records[theJob] = before.records[theJob][:9]
		f = before.clone(t)
		f.records[theJob] = f.records[theJob][:4]
		r := prove(t, f, withOldHeads(t, before, f))
		requireFirst(t, r, proof.NotGiven, theCamera, f.nth(theCamera, "result-declared", 1), "entry 5")
		require.Equal(t, proof.MissingTail, r.Findings[1].Reason, r.String())
		require.Equal(t, visitRef, r.Findings[1].Stream)
	})
	t.Run("something put behind the last entry", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		f.records[theCamera] = f.records[theCamera][:len(f.records[theCamera])-1]
		shorter := f.bundle()
		b, err := trail.ReadBundle(shorter)
		require.NoError(t, err)
		was, _ := b.File(trail.HeadsFile)
		whole, err := trail.ReadBundle(honest.bundle())
		require.NoError(t, err)
		now, _ := whole.File(trail.HeadsFile)
		require.Equal(t, len(was), len(now))
		requireFirst(t, prove(t, f, bytes.Replace(honest.bundle(), now, was, 1)), proof.BadHead, theCamera, 72, "put in behind")
	})
	t.Run("the text of a note exchanged and hashed again", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		f.retext(theCamera, f.nth(theCamera, "noted", 1), "text", "Drove 5 km, a lamp lit.")
		r := prove(t, f, withOldHeads(t, honest, f))
		require.Equal(t, proof.BadHead, r.Findings[0].Reason, r.String())
		require.Contains(t, r.Findings[0].Why, "hashed again")
	})
	t.Run("the key replaced", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		same, err := trail.NewKey(f.jobKey.ID(), rand.Reader)
		require.NoError(t, err)
		f.jobKey = same
		requireFirst(t, prove(t, f, f.bundle()), proof.BadSeal, theCamera, 1, "does not open")
		require.True(t, slices.ContainsFunc(prove(t, f, f.bundle()).Findings, func(found proof.Finding) bool {
			return found.File == trail.JobKeyFile && found.Reason == proof.BadKey
		}))

		f = honest.clone(t)
		f.jobKey, err = trail.NewKey(idOf(0x7f), rand.Reader)
		require.NoError(t, err)
		r := prove(t, f, f.bundle())
		require.Equal(t, trail.JobKeyFile, r.Findings[0].File, r.String())
		require.Equal(t, proof.BadKey, r.Findings[0].Reason)
	})
}

// retext seals another text in the place of the one there and mends the chain.
func (f *forger) retext(kind stream.Kind, seq int, key, text string) {
	owner := f.records[kind][0].Stream
	sealed, err := f.jobKey.Seal(rand.Reader, owner, key, text)
	require.NoError(f.t, err)
	f.commanded(kind, seq, to(sealed), key)
}

// TestErased: a bundle made after the job's key was destroyed says the same, but for what was personal.
func TestErased(t *testing.T) {
	t.Parallel()
	f := golden(t, newest)
	before, err := proof.Bundle(f.bundle(), f.options())
	require.NoError(t, err)
	after, err := proof.Bundle(f.bundleUnder(nil), f.options())
	require.NoError(t, err)
	require.True(t, after.Proven(), after.String())
	require.Equal(t, before.Streams, after.Streams)
	require.Equal(t, before.Facts, after.Facts)
	require.Zero(t, before.Sealed.Closed)
	require.Greater(t, before.Sealed.Opened, 10)
	require.Equal(t, before.Sealed.Opened, after.Sealed.Closed)
	require.Zero(t, after.Sealed.Opened)

	// What was found before is found after, save what only the key shows. A sample will do.
	for i, c := range byTheKeeper() {
		if i%4 > 0 {
			continue
		}
		f := f.clone(t)
		kind, seq := c.forge(f)
		r, err := proof.Bundle(f.bundleUnder(nil), f.options())
		require.NoError(t, err)
		if c.reason != proof.BadSeal {
			requireFirst(t, r, c.reason, kind, seq, c.why)
		}
	}
}

// TestDatabase: the same trails as rows, all streams, each against the head that the database has of it.
func TestDatabase(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	head := func(f *forger, kind stream.Kind) map[stream.Ref]trail.Head {
		last := f.records[kind][len(f.records[kind])-1]
		return map[stream.Ref]trail.Head{last.Ref(): {Ref: last.Ref(), Seq: last.Seq, Hash: last.Hash}}
	}
	columns := func(f *forger, kind stream.Kind, seq int, change func(r *trail.Record)) (stream.Kind, int) {
		change(&f.records[kind][seq-1])
		return kind, seq
	}
	for _, c := range []struct {
		forgery
		heads func(f *forger) map[stream.Ref]trail.Head // as they were; nil: the forger changed them too
	}{
		{forgery{"a body", func(f *forger) (stream.Kind, int) {
			return columns(f, theCamera, 12, func(r *trail.Record) { r.Body = bytes.Replace(r.Body, []byte("true"), []byte("fals"), 1) })
		}, proof.BadHash, ""}, nil},
		{forgery{"a column", func(f *forger) (stream.Kind, int) {
			return columns(f, theCamera, 12, func(r *trail.Record) { r.Actor = shopOwner.Member })
		}, proof.BadColumn, ""}, nil},
		{forgery{"a body, with the hash of its row", func(f *forger) (stream.Kind, int) {
			columns(f, theCamera, 12, func(r *trail.Record) {
				r.Body = bytes.Replace(r.Body, []byte(`"declared"`), []byte(`"measured"`), 1)
				r.Hash = trail.Sum(r.Prev, r.Body)
			})
			return theCamera, 13
		}, proof.BadHash, "the one before"}, nil},
		{forgery{"the last rows deleted", func(f *forger) (stream.Kind, int) {
			f.records[theCamera] = f.records[theCamera][:60]
			return theCamera, 61
		}, proof.MissingTail, "entry 72 was the last one"}, func(*forger) map[stream.Ref]trail.Head { return head(honest, theCamera) }},
		{forgery{"the last rows of a register deleted", func(f *forger) (stream.Kind, int) {
			f.records[theRegister] = f.records[theRegister][:f.nth(theRegister, "agreement-made", 2)-1]
			return theCamera, f.nth(theCamera, "claimed", 1)
		}, proof.NotGiven, "agreement/"}, nil},
		{forgery{"a row from the middle deleted", func(f *forger) (stream.Kind, int) {
			f.records[theCamera] = slices.Delete(f.records[theCamera], 20, 21)
			return theCamera, 21
		}, proof.BadOrder, "calls itself entry 22"}, nil},
		{forgery{"a row of another calibration", func(f *forger) (stream.Kind, int) {
			f.records[theCamera][1] = f.radar[1]
			return theCamera, 2
		}, proof.OtherStream, radarRef.String()}, nil},
		{forgery{"a leg without its first word", func(f *forger) (stream.Kind, int) {
			n := f.nth(theCamera, "word-given", 2)
			f.remove(theCamera, n)
			return theCamera, n
		}, proof.Otherwise, "by the rules it would be word-given"}, nil},
		{forgery{"a finer instrument in the calibration, and all that follows", func(f *forger) (stream.Kind, int) {
			n := f.fact(theCamera, "instrument/"+laserID.String(), to(100), "instrument", "standard_uncertainty_um")
			f.redecide(calibration.Rules{}, theCamera)
			return theCamera, n
		}, proof.NotGiven, "instrument/" + laserID.String()}, nil},
		{forgery{"a finer instrument in the register only", func(f *forger) (stream.Kind, int) {
			f.commanded(theRegister, f.nth(theRegister, "instrument-added", 1), to(100), "instrument", "standard_uncertainty_um")
			return theCamera, f.nth(theCamera, "sheet-issued", 1) // what it took from later entries is of other hashes too
		}, proof.NotGiven, "instrument/"}, nil},
		{forgery{"work by somebody who was retired an hour before", func(f *forger) (stream.Kind, int) {
			f.commanded(theRegister, f.nth(theRegister, "member-retired", 1), to(technician.Member), "member")
			for seq := range f.records[theRegister] {
				f.change(theRegister, seq+1, func(e *stream.Entry) { e.At = e.At.Add(-time.Hour) })
			}
			f.rehash(theRegister)
			f.repoint(theJob, theRegister)
			f.repoint(theCamera, theRegister)
			f.repoint(theCamera, theJob)
			return theCamera, f.nth(theCamera, "signed", 1)
		}, proof.OldFacts, "member/" + technician.Member.String()}, nil},
		{forgery{"the job's key replaced", func(f *forger) (stream.Kind, int) {
			key, err := trail.NewKey(f.jobKey.ID(), rand.Reader)
			require.NoError(f.t, err)
			f.jobKey = key
			return theCamera, 1
		}, proof.BadSeal, "does not open"}, nil},
	} {
		t.Run(c.about, func(t *testing.T) {
			t.Parallel()
			f := honest.clone(t)
			kind, seq := c.forge(f)
			var heads map[stream.Ref]trail.Head
			if c.heads != nil {
				heads = c.heads(f)
			}
			requireFirst(t, f.database(heads), c.reason, kind, seq, c.why)
		})
	}
}

// TestMarkOfAnotherValue: the rules compare marks and see no VIN. With the key a mark that is not of its VIN is found out.
func TestMarkOfAnotherValue(t *testing.T) {
	t.Parallel()
	f := golden(t, newest).clone(t)
	var first struct {
		Mark string `json:"vin_mark"`
	}
	require.NoError(t, json.Unmarshal(f.entry(theJob, 1).Command.Data, &first))
	n := f.nth(theJob, "vehicle-announced", 1)
	f.commanded(theJob, n, to(first.Mark), "vin_mark")
	r, err := proof.Bundle(f.bundle(), f.options())
	require.NoError(t, err)
	requireFirst(t, r, proof.BadSeal, theJob, n, "The mark beside the sealed value at vin")
}

// TestValuesOfItsOwn: a stream may rely on what it gave itself, and on nothing else of its own.
func TestValuesOfItsOwn(t *testing.T) {
	t.Parallel()
	f := golden(t, newest).clone(t)
	n := f.nth(theRegister, "agreement-made", 2)
	f.commanded(theRegister, n, to(shopID), "desk")
	own := f.given(theRegister, n-1, "organisation")
	own.Value = touched(t, own.Value, to("desk"), "sort") // a desk is what agreements are made with
	f.change(theRegister, n, func(e *stream.Entry) { e.Facts = []stream.Fact{own} })
	f.rehash(theRegister)
	v := proof.New(app.ProofOptions(nil))
	require.NoError(t, v.Stream(t.Context(), shopRef, rows(f.records[theRegister]), nil))
	requireFirst(t, v.Report(), proof.NotGiven, theRegister, n, "this stream itself")
}

// TestWhatTheKeeperCanDo states the limit: whoever holds the server's key and the rules can tell another story that
// could have happened. Against that stand only heads that others hold already, and these show it.
func TestWhatTheKeeperCanDo(t *testing.T) {
	t.Parallel()
	honest := golden(t, newest)
	for _, c := range []struct {
		about string
		forge func(f *forger)
	}{
		{"leave out the end and sign what is left", func(f *forger) {
			f.records[theCamera] = f.records[theCamera][:f.nth(theCamera, "leg-ended", 2)]
		}},
		{"say that something was measured that was declared", func(f *forger) { f.commanded(theCamera, 5, to("measured"), "evidence") }},
		{"report other readings, and decide all that follows anew", func(f *forger) {
			n := f.nth(theCamera, "readings-reported", 4)
			f.commanded(theCamera, n, by(700), "readings", 0, "value_um")
			f.redecide(calibration.Rules{}, theCamera)
			require.NotEqual(f.t, honest.entry(theCamera, n).Decided, f.entry(theCamera, n).Decided)
		}},
		{"write another text", func(f *forger) { f.retext(theCamera, f.nth(theCamera, "noted", 1), "text", "Drove 5 km, a lamp lit.") }},
		{"take out a note", func(f *forger) { f.remove(theCamera, f.nth(theCamera, "noted", 1)) }},
		{"change the car's mileage, and everything that relied on that entry", func(f *forger) {
			f.commanded(theJob, 1, to(99_000), "mileage_km")
			f.repoint(theCamera, theJob)
		}},
		{"send a command in other words: its MAC is for the server only", func(f *forger) {
			f.change(theCamera, 7, func(e *stream.Entry) { e.MAC = bytes.Repeat([]byte{1}, 32) })
			f.rehash(theCamera)
		}},
	} {
		t.Run(c.about, func(t *testing.T) {
			t.Parallel()
			f := honest.clone(t)
			c.forge(f)
			r, err := proof.Bundle(f.bundle(), f.options())
			require.NoError(t, err)
			require.True(t, r.Proven(), r.String())
			// The bundle that somebody took away before has a head with which no forged one agrees.
			require.NotEqual(t, heads(t, honest), heads(t, f))
		})
	}

	t.Run("a finer instrument, in every stream that names it", func(t *testing.T) {
		t.Parallel()
		f := honest.clone(t)
		f.commanded(theRegister, f.nth(theRegister, "instrument-added", 1), to(500), "instrument", "standard_uncertainty_um")
		f.fact(theCamera, "instrument/"+laserID.String(), to(500), "instrument", "standard_uncertainty_um")
		f.repoint(theJob, theRegister)
		f.repoint(theCamera, theRegister)
		f.repoint(theCamera, theJob)
		f.redecide(calibration.Rules{}, theCamera)
		n := f.nth(theCamera, "readings-reported", 3)
		require.NotEqual(t, honest.entry(theCamera, n).Decided, f.entry(theCamera, n).Decided)
		r := f.database(nil)
		require.NotEmpty(t, r.Findings)
		for _, found := range r.Findings {
			require.Equal(t, proof.NotGiven, found.Reason, "%s", r)
			require.Equal(t, radarRef, found.Stream, "only the calibration that was forgotten shows it")
		}
		b, err := proof.Bundle(f.bundle(), f.options())
		require.NoError(t, err)
		require.True(t, b.Proven(), "the register is not in the bundle: taken on trust")
		require.NotEqual(t, heads(t, honest), heads(t, f))
	})
}

// heads are the signed ones of a bundle.
func heads(t *testing.T, f *forger) []trail.Head {
	b, err := trail.ReadBundle(f.bundle())
	require.NoError(t, err)
	signed, _ := b.File(trail.HeadsFile)
	h, err := trail.ReadHeads(signed)
	require.NoError(t, err)
	return h.Heads
}
