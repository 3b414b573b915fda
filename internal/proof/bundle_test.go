package proof_test

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

func TestBundleProven(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	r, err := proof.Bundle(w.bundle(), w.options(w.signer))
	require.NoError(t, err)
	require.NoError(t, r.Err(), r.String())
	require.True(t, r.Proven())
	require.Equal(t, w.bundle(), w.bundle(), "the same trails give the same bytes")

	require.Len(t, r.Streams, 2)
	require.Equal(t, proof.Stream{Ref: w.calibration.Ref, Entries: 7, Head: w.calibration.Head, Rules: 1, Decided: 7}, r.Streams[0])
	require.Equal(t, proof.Stream{Ref: w.job.Ref, Entries: 3, Head: w.job.Head, Rules: 1, Decided: 3}, r.Streams[1])
	require.Equal(t, &proof.Signer{Name: "shop.example", Key: w.signer.Key, Trusted: true}, r.Signer)
	require.Equal(t, 2, r.Facts.Checked, "the level at two entries of the job")
	require.Equal(t, 2, r.Facts.OnTrust, "both members: the register is not in the bundle")
	require.Equal(t, 3+3, r.Sealed.Opened, "three texts, and names with the three first facts of members")
	require.Zero(t, r.Sealed.Closed)
	require.NotContains(t, r.String(), "unproven")
	raw, err := json.Marshal(r)
	require.NoError(t, err)
	require.Contains(t, string(raw), `"findings":[]`)

	r, err = proof.Bundle(w.bundle(), w.options())
	require.NoError(t, err)
	require.True(t, r.Proven())
	require.False(t, r.Signer.Trusted)
	require.Contains(t, r.String(), "Signer unproven")

	r, err = proof.Bundle(w.bundle(), w.options(newSigner(t, "other.example"), w.signer))
	require.NoError(t, err)
	require.True(t, r.Signer.Trusted, "one of several trusted keys is enough")
}

func TestBundleWithoutItsKey(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var b bytes.Buffer
	require.NoError(t, trail.WriteBundle(&b, w.records[stream.Calibration], w.records[stream.Job], nil, nil, w.signer))
	r, err := proof.Bundle(b.Bytes(), w.options(w.signer))
	require.NoError(t, err)
	require.NoError(t, r.Err())
	require.Equal(t, 6, r.Sealed.Closed)
	require.Zero(t, r.Sealed.Opened)
	require.Equal(t, uint64(7), r.Streams[0].Decided, "destroying the key changes nothing else")
}

// TestUnknownRules: hashes alone prove nothing against whoever holds the keys.
func TestUnknownRules(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	o := w.options(w.signer)
	o.Rules = map[int]map[stream.Kind]stream.Rules{2: toyRules[1]}
	r, err := proof.Bundle(w.bundle(), o)
	require.NoError(t, err)
	require.Len(t, r.Findings, 2)
	require.Equal(t, proof.UnknownRules, r.Findings[0].Reason)
	require.Zero(t, r.Streams[0].Decided)
	require.Equal(t, uint64(7), r.Streams[0].Entries)
	require.Contains(t, r.String(), "rules 1")
	require.Contains(t, r.String(), "7 entries hold by hash only")

	w.change(stream.Calibration, 5, func(e *stream.Entry) { e.Seq = 6 })
	r, err = proof.Bundle(w.bundle(), o)
	require.NoError(t, err)
	require.Equal(t, proof.BadOrder, r.Findings[0].Reason, "a bad entry is named first")
}

// mutation is one way to tamper with a world's bundle and what must come of it. To try it on other rules, tell another
// story in newWorld's place.
type mutation struct {
	about  string
	spoil  func(w *world)             // before packing: records, keys, signer
	edit   func(bundle []byte) []byte // after packing
	reason proof.Reason               // of the first finding
	kind   stream.Kind                // stream and number of the first bad entry; none if empty
	seq    uint64
	why    string // part of the sentence
}

// resigned are what an insider could do: change, mend the chain, sign anew with the right key.
func mutations() []mutation {
	C, J := stream.Calibration, stream.Job
	swap := func(old, new string) func([]byte) []byte {
		return func(b []byte) []byte { return bytes.Replace(b, []byte(old), []byte(new), 1) }
	}
	return []mutation{
		{about: "a changed number", edit: swap(`"count":3`, `"count":2`), reason: proof.BadHash, kind: C, seq: 2},
		{about: "a changed number in the job", edit: swap(`"data":{"level":10}`, `"data":{"level":11}`), reason: proof.BadHash, kind: J, seq: 2},
		{about: "a number made no number", edit: swap(`"count":3`, `"count":x`), reason: proof.BadHash, kind: C, seq: 2},
		{about: "a line without its end", edit: swap("}\n", "} "), reason: proof.BadHash, kind: C, seq: 1},
		{about: "an entry taken out", spoil: func(w *world) { w.records[C] = slices.Delete(w.records[C], 2, 3) },
			reason: proof.BadOrder, kind: C, seq: 3, why: "entry 4; entry 3 belongs here"},
		{about: "two entries exchanged", spoil: func(w *world) { w.records[C][2], w.records[C][3] = w.records[C][3], w.records[C][2] },
			reason: proof.BadOrder, kind: C, seq: 3},
		{about: "an entry of another stream", spoil: func(w *world) { w.records[C][2] = w.records[J][2] },
			reason: proof.OtherStream, kind: C, seq: 3, why: "job/" + jobID.String()},
		{about: "an entry of another stream, hashed again", spoil: func(w *world) { w.records[C][2] = w.records[J][2]; w.rehash(C) },
			reason: proof.OtherStream, kind: C, seq: 3},
		{about: "a decision changed and hashed again", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) {
				e.Decided = json.RawMessage(strings.Replace(string(e.Decided), `"count":3`, `"count":2`, 1))
			})
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 2, why: "count is recorded as 2 and comes out as 3"},
		{about: "a verdict changed by two units", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) {
				e.Decided = json.RawMessage(strings.Replace(string(e.Decided), `"gap_um":7`, `"gap_um":9`, 1))
			})
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 2, why: "verdict.gap_um"},
		{about: "a verdict's word changed", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) {
				e.Decided = json.RawMessage(strings.Replace(string(e.Decided), `within`, `adjust`, 1))
			})
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 2, why: "verdict.says"},
		{about: "a reading changed, with all that follows from it in that entry", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) {
				e.Command.Data = json.RawMessage(`{"n":4}`)
				e.Decided = json.RawMessage(`{"count":4,"verdict":{"gap_um":6,"says":"within"}}`)
			})
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 4, why: "count"},
		{about: "a leg started without its two words", spoil: func(w *world) {
			w.records[C] = slices.Delete(w.records[C], 4, 5)
			for i := 4; i < 6; i++ {
				w.records[C][i].Hash = w.records[C][i-1].Hash
			}
			for seq := 5; seq <= 6; seq++ {
				renumber(w, C, seq)
			}
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 5, why: "says leg-started (version 1); by the rules it would be word-given"},
		{about: "a command the rules refuse", spoil: func(w *world) {
			w.change(C, 4, func(e *stream.Entry) { e.Command.Data = json.RawMessage(`{"n":-1}`) })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 4, why: "Only upwards."},
		{about: "data that no command could have brought", spoil: func(w *world) {
			w.change(C, 4, func(e *stream.Entry) { e.Command.Data = json.RawMessage(`{"n":"many"}`) })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 4, why: "make sense"},
		{about: "another role", spoil: func(w *world) {
			w.change(C, 6, func(e *stream.Entry) { e.By.Role = stream.Technician })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 6, why: "Said already."},
		{about: "another person, whose standing is not stored", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) { e.By.Member = idOf(77) })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 2, why: "Only members may."},
		{about: "a base the sender could not act on", spoil: func(w *world) {
			w.change(C, 4, func(e *stream.Entry) { e.Command.Base = 1 })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 4, why: "came after"},
		{about: "a command answered twice", spoil: func(w *world) {
			first, err := trail.Decode(w.records[C][2])
			require.NoError(w.t, err)
			w.change(C, 7, func(e *stream.Entry) { e.Command.ID = first.Command.ID })
			w.rehash(C)
		}, reason: proof.Repeated, kind: C, seq: 7, why: "by entry 3"},
		{about: "a time before the entry before", spoil: func(w *world) {
			w.change(C, 5, func(e *stream.Entry) { e.At = e.At.Add(-time.Hour) })
			w.rehash(C)
		}, reason: proof.BadTime, kind: C, seq: 5},
		{about: "a fact too much", spoil: func(w *world) {
			add, err := trail.Decode(w.records[C][1])
			require.NoError(w.t, err)
			w.change(C, 5, func(e *stream.Entry) { e.Facts = add.Facts })
			w.rehash(C)
		}, reason: proof.BadFacts, kind: C, seq: 5},
		{about: "a fact taken out", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) { e.Facts = nil })
			w.rehash(C)
		}, reason: proof.NotDecided, kind: C, seq: 2, why: "No level yet."},
		{about: "a fact forged, with its consequences", spoil: func(w *world) {
			w.change(C, 2, func(e *stream.Entry) {
				e.Facts[0].Value = json.RawMessage(`{"level":20}`)
				e.Decided = json.RawMessage(`{"count":3,"verdict":{"gap_um":17,"says":"within"}}`)
			})
			w.rehash(C)
		}, reason: proof.NotGiven, kind: C, seq: 2, why: "entry 2 there does not give: level"},
		{about: "a fact of an entry the job does not have", spoil: func(w *world) {
			w.change(C, 4, func(e *stream.Entry) { e.Facts[0].Seq = 9 })
			w.rehash(C)
		}, reason: proof.NotGiven, kind: C, seq: 4, why: "entry 9"},
		{about: "a job changed and hashed again: the calibration relied on it as it was", spoil: func(w *world) {
			w.change(J, 2, func(e *stream.Entry) { e.Command.Data = json.RawMessage(`{"level":11}`) })
			w.rehash(J)
		}, reason: proof.NotGiven, kind: C, seq: 2},
		{about: "a later entry that opens in another key", spoil: func(w *world) {
			w.change(C, 1, func(e *stream.Entry) {
				id, sum := idOf(9), w.jobKey.Commitment()
				e.Opens.Key, e.Opens.Commitment = &id, &sum
			})
			w.rehash(C)
		}, reason: proof.BadKey, kind: C, seq: 1},
		{about: "a calibration of another job", spoil: func(w *world) {
			w.change(C, 1, func(e *stream.Entry) { e.Command.Data = json.RawMessage(`{"job":"` + idOf(66).String() + `"}`) })
			w.records[C] = w.records[C][:1]
			w.rehash(C)
		}, reason: proof.OtherStream, kind: C, seq: 1, why: "job/" + idOf(66).String()},
		{about: "a sealed value moved to another place", spoil: func(w *world) {
			three, err := trail.Decode(w.records[C][2])
			require.NoError(w.t, err)
			w.change(J, 3, func(e *stream.Entry) {
				e.Command.Data = json.RawMessage(`{"level":12,"text":` + string(three.Command.Data[len(`{"text":`):len(three.Command.Data)-1]) + `}`)
			})
			w.rehash(J)
		}, reason: proof.BadSeal, kind: J, seq: 3, why: "at text"},
		{about: "an entry type nobody writes", spoil: func(w *world) {
			w.change(C, 3, func(e *stream.Entry) { e.Type = "certified" })
			w.rehash(C)
		}, reason: proof.Otherwise, kind: C, seq: 3, why: "certified"},
		{about: "a fact of a name the rules choke on", spoil: func(w *world) {
			w.change(J, 3, func(e *stream.Entry) { e.Command.Type, e.Type = "open", "opened" })
			w.rehash(J)
		}, reason: proof.NotDecided, kind: J, seq: 3, why: "Not now."},
		{about: "another key than the job commits to", spoil: func(w *world) { w.jobKey = w.shopKey }, reason: proof.BadKey, why: "commits"},
		{about: "a file changed: the readme", edit: swap("READBACK BUNDLE", "READBACK BUNGLE"), reason: proof.BadFile, why: "check sum"},
		{about: "a head changed", edit: func(b []byte) []byte {
			i := bytes.Index(b, []byte("\ncalibration "+calibrationID.String()+" 7 ")) + len("\ncalibration "+calibrationID.String()+" ")
			b[i] = '6'
			return b
		}, reason: proof.BadHead, kind: C, seq: 7},
		{about: "a signature changed", edit: func(b []byte) []byte {
			i := bytes.Index(b, []byte("\n— shop.example ")) + len("\n— shop.example ") + 40
			b[i] = map[bool]byte{true: 'A', false: 'B'}[b[i] != 'A']
			return b
		}, reason: proof.BadSignature},
		{about: "signed by somebody else", spoil: func(w *world) { w.signer = newSigner(w.t, "shop.example") }, reason: proof.OtherSigner},
		{about: "changed, hashed again and signed by somebody else", spoil: func(w *world) {
			w.change(C, 7, func(e *stream.Entry) {
				e.Command.Data, _ = json.Marshal(map[string]any{"text": w.seal(w.jobKey, calibrationID, "text", "done well")})
			})
			w.rehash(C)
			w.signer = newSigner(w.t, "shop.example")
		}, reason: proof.OtherSigner},
	}
}

// renumber moves entry seq down by one, as a forger would who took one out before it.
func renumber(w *world, kind stream.Kind, seq int) {
	body := w.records[kind][seq-1].Body
	e, err := trail.DecodeBody(body)
	require.NoError(w.t, err)
	e.Seq, e.Command.Base, e.Prev = uint64(seq), uint64(seq-1), stream.Hash{1}
	w.records[kind][seq-1], err = trail.Encode(e)
	require.NoError(w.t, err)
}

func TestTamperingIsNamed(t *testing.T) {
	t.Parallel()
	for _, m := range mutations() {
		t.Run(m.about, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			trusted := w.signer
			if m.spoil != nil {
				m.spoil(w)
			}
			b := w.bundle()
			if m.edit != nil {
				edited := m.edit(bytes.Clone(b))
				require.NotEqual(t, b, edited, "the edit found its place")
				b = edited
			}
			r, err := proof.Bundle(b, w.options(trusted))
			require.NoError(t, err)
			require.False(t, r.Proven())
			first := r.Findings[0]
			require.Equal(t, m.reason, first.Reason, r.String())
			require.Equal(t, m.seq, first.Seq, r.String())
			require.Equal(t, m.kind, first.Stream.Kind, r.String())
			require.Contains(t, first.Why, m.why)
			require.True(t, fault.Is(r.Err(), fault.NotProven))
			require.Contains(t, r.String(), "Not proven.")
		})
	}
}

// TestHeadsAgainstTrails: trail and heads of different ages, everything else in order.
func TestHeadsAgainstTrails(t *testing.T) {
	t.Parallel()
	C := stream.Calibration
	repack := func(t *testing.T, spoil func(w *world)) proof.Report {
		w := newWorld(t)
		heads := w.bundle()
		spoil(w)
		b, err := trail.ReadBundle(w.bundle())
		require.NoError(t, err)
		whole, err := trail.ReadBundle(heads)
		require.NoError(t, err)
		old, _ := whole.File(trail.HeadsFile)
		now, _ := b.File(trail.HeadsFile)
		require.Equal(t, len(old), len(now), "so that the archive keeps its shape")
		spoiled := bytes.Replace(w.bundle(), now, old, 1)
		r, err := proof.Bundle(spoiled, w.options(w.signer))
		require.NoError(t, err)
		return r
	}

	r := repack(t, func(w *world) { w.records[C] = w.records[C][:5] })
	require.Equal(t, proof.MissingTail, r.Findings[0].Reason)
	require.Equal(t, uint64(6), r.Findings[0].Seq)
	require.Contains(t, r.Findings[0].Why, "ends with entry 5, and entry 7 was the last")

	r = repack(t, func(w *world) {
		w.tell(w.calibration, tess, stream.Technician, "note", map[string]any{"text": w.seal(w.jobKey, calibrationID, "text", "more")})
	})
	require.Equal(t, proof.BadHead, r.Findings[0].Reason)
	require.Equal(t, uint64(8), r.Findings[0].Seq)

	// What the rules cannot tell, the head does: another sealed text, hashed again.
	r = repack(t, func(w *world) {
		w.change(C, 3, func(e *stream.Entry) {
			e.Command.Data, _ = json.Marshal(map[string]any{"text": w.seal(w.jobKey, calibrationID, "text", "looks wrong")})
		})
		w.rehash(C)
	})
	require.Equal(t, proof.BadHead, r.Findings[0].Reason)
	require.Contains(t, r.Findings[0].Why, "hashed again")
}

func TestVerdictsMayDifferByOneUnit(t *testing.T) {
	t.Parallel()
	for change, proven := range map[string]bool{`"gap_um":6`: true, `"gap_um":8`: true, `"gap_um":5`: false} {
		w := newWorld(t)
		w.change(stream.Calibration, 2, func(e *stream.Entry) {
			e.Decided = json.RawMessage(strings.Replace(string(e.Decided), `"gap_um":7`, change, 1))
		})
		w.rehash(stream.Calibration)
		r, err := proof.Bundle(w.bundle(), w.options(w.signer))
		require.NoError(t, err)
		require.Equal(t, proven, r.Proven(), change)
	}
}

// TestAnyChangedByteIsRefused changes the bytes of a bundle, one at a time: every one of the key, the heads, the
// signature and the archive's own headers, check sums and directory, and every ninth of the trails. Without a trusted
// key too: the bundle is of one piece.
func TestAnyChangedByteIsRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	b := w.bundle()
	random := rand.New(rand.NewPCG(1, 2))
	read, err := trail.ReadBundle(b)
	require.NoError(t, err)
	inTrail := func(i int) bool {
		for _, name := range []string{trail.CalibrationFile, trail.JobFile} {
			data, _ := read.File(name)
			if from := bytes.Index(b, data); i >= from && i < from+len(data) {
				return true
			}
		}
		return false
	}
	unreadable, tried := 0, 0
	for i := range b {
		if inTrail(i) && i%9 != 0 {
			continue
		}
		tried++
		changed := bytes.Clone(b)
		changed[i] ^= byte(1 + random.IntN(255))
		r, err := proof.Bundle(changed, w.options())
		if err != nil {
			require.True(t, fault.Is(err, fault.Malformed), "byte %d: %v", i, err)
			unreadable++
			continue
		}
		require.False(t, r.Proven(), "byte %d of %d: %q became %q", i, len(b), b[i], changed[i])
	}
	require.Less(t, unreadable, tried/8, "most changes can be named")
	for _, n := range []int{0, 1, 21, len(b) / 2, len(b) - 1} {
		_, err := proof.Bundle(b[:n], w.options())
		require.True(t, fault.Is(err, fault.Malformed), "cut to %d bytes", n)
	}
	for about, more := range map[string][]byte{
		"before": append([]byte("x"), b...), "behind": append(bytes.Clone(b), 'x'), "twice": append(bytes.Clone(b), b...),
	} {
		r, err := proof.Bundle(more, w.options())
		require.True(t, err != nil || !r.Proven(), about)
	}
}

func TestParseKeys(t *testing.T) {
	t.Parallel()
	a, b := newSigner(t, "a.example"), newSigner(t, "b.example")
	keys, err := proof.ParseKeys([]byte("# ours\n" + a.Key + "\n\n  " + b.Key + "  \r\n"))
	require.NoError(t, err)
	require.Len(t, keys, 2)
	for text, want := range map[string]string{
		"": "on a line of its own", "# none\n": "on a line of its own", "hello\n": "line 1", a.Key + "\nhello\n": "line 2",
		"PRIVATE+KEY+a+b+c\n": "secret",
	} {
		_, err := proof.ParseKeys([]byte(text))
		require.ErrorContains(t, err, want)
	}
}

func FuzzBundle(f *testing.F) {
	w := newWorld(f)
	f.Add(w.bundle())
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := proof.Bundle(b, w.options())
		if err != nil {
			require.NotEqual(t, fault.InternalFault, fault.Of(err).Slug)
			return
		}
		_ = r.String()
	})
}
