package proof_test

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

func rows(records []trail.Record) iter.Seq2[trail.Record, error] {
	return func(yield func(trail.Record, error) bool) {
		for _, r := range records {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// all verifies the three streams of a world as a database holds them, in the order Verifier asks for.
func all(t *testing.T, w *world, o proof.Options) proof.Report {
	v := proof.New(o)
	for _, f := range []*stream.Fold{w.calibration, w.job, w.register} {
		head := &trail.Head{Ref: f.Ref, Seq: f.Seq, Hash: f.Head}
		require.NoError(t, v.Stream(t.Context(), f.Ref, rows(w.records[f.Ref.Kind]), head))
	}
	return v.Report()
}

func TestDatabaseProven(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	o := w.options()
	o.Key = func(id stream.ID) (trail.Key, bool) {
		for _, k := range []trail.Key{w.jobKey, w.shopKey} {
			if k.ID() == id {
				return k, true
			}
		}
		return trail.Key{}, false
	}
	r := all(t, w, o)
	require.NoError(t, r.Err(), r.String())
	require.Nil(t, r.Signer)
	require.Equal(t, 2+2, r.Facts.Checked, "the level at two entries; two members, although their names are sealed anew")
	require.Zero(t, r.Facts.OnTrust)
	require.Equal(t, 3+3+1, r.Sealed.Opened)
	for i, n := range []uint64{7, 3, 2} {
		require.Equal(t, n, r.Streams[i].Decided)
	}

	r = all(t, w, w.options())
	require.NoError(t, r.Err())
	require.Equal(t, 7, r.Sealed.Closed)
}

func TestDatabaseTamperingIsNamed(t *testing.T) {
	t.Parallel()
	C := stream.Calibration
	for _, m := range []struct {
		about  string
		spoil  func(w *world)
		reason proof.Reason
		kind   stream.Kind
		seq    uint64
	}{
		{"a column", func(w *world) { w.records[C][2].Type = "added" }, proof.BadColumn, C, 3},
		{"a column of time", func(w *world) { w.records[C][2].At = w.records[C][2].At.Add(time.Second) }, proof.BadColumn, C, 3},
		{"the hash before", func(w *world) { w.records[C][2].Prev[0] ^= 1 }, proof.BadHash, C, 3},
		{"the hash", func(w *world) { w.records[C][2].Hash[0] ^= 1 }, proof.BadHash, C, 3},
		{"the body", func(w *world) { w.records[C][2].Body = slices.Clone(w.records[C][3].Body) }, proof.BadOrder, C, 3},
		{"half a body", func(w *world) { w.records[C][2].Body = w.records[C][2].Body[:100] }, proof.BadHash, C, 3},
		{"half a body, hashed again", func(w *world) { w.records[C][2].Body = w.records[C][2].Body[:100]; w.rehash(C) }, proof.BadForm, C, 3},
		{"a row deleted", func(w *world) { w.records[C] = slices.Delete(w.records[C], 3, 4) }, proof.BadOrder, C, 4},
		{"the last row deleted", func(w *world) { w.records[C] = w.records[C][:6] }, proof.MissingTail, C, 7},
		{"all rows deleted", func(w *world) { w.records[C] = nil }, proof.MissingTail, C, 1},
		{"a row put in behind", func(w *world) {
			w.calibration = stream.NewFold(toyRules[1][C], calibrationID)
			for _, r := range w.records[C][:6] {
				e, err := trail.Decode(r)
				require.NoError(w.t, err)
				require.NoError(w.t, w.calibration.Apply(e))
			}
		}, proof.BadHead, C, 7},
		{"a register's row changed and hashed again", func(w *world) {
			w.change(stream.Register, 2, func(e *stream.Entry) { e.At = e.At.Add(time.Millisecond) })
			w.rehash(stream.Register)
			last := w.records[stream.Register][1]
			w.register.Head = last.Hash
		}, proof.NotGiven, C, 1},
	} {
		t.Run(m.about, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			m.spoil(w)
			r := all(t, w, w.options())
			require.False(t, r.Proven())
			first := r.Findings[0]
			require.Equal(t, m.reason, first.Reason, r.String())
			require.Equal(t, m.seq, first.Seq, r.String())
			require.Equal(t, m.kind, first.Stream.Kind, r.String())
		})
	}
}

func TestEmptyStream(t *testing.T) {
	t.Parallel()
	v := proof.New(newWorld(t).options())
	ref := stream.Ref{Kind: stream.Job, ID: idOf(50)}
	require.NoError(t, v.Stream(t.Context(), ref, rows(nil), nil))
	require.Equal(t, proof.MissingTail, v.Report().Findings[0].Reason)
}

// TestReadingThatFails: a database that stops answering is not a finding.
func TestReadingThatFails(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	v := proof.New(w.options())
	gone := errors.New("connection lost")
	err := v.Stream(t.Context(), w.job.Ref, func(yield func(trail.Record, error) bool) {
		_ = yield(w.records[stream.Job][0], nil) && yield(trail.Record{}, gone)
	}, nil)
	require.ErrorIs(t, err, gone)

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	err = v.Stream(ctx, w.job.Ref, rows(w.records[stream.Job]), nil)
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, v.Report().Findings)
}

// TestForgedNamesOfFacts: a name that the other stream's rules choke on is not given, and nothing panics.
func TestForgedNamesOfFacts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	o := w.options()
	o.Rules = map[int]map[stream.Kind]stream.Rules{1: {stream.Job: toyRules[1][stream.Job]}} // the calibration is not decided again
	w.change(stream.Calibration, 2, func(e *stream.Entry) { e.Facts[0].Key.Name = "panic" })
	w.rehash(stream.Calibration)
	v := proof.New(o)
	require.NoError(t, v.Stream(t.Context(), w.calibration.Ref, rows(w.records[stream.Calibration]), nil))
	require.NoError(t, v.Stream(t.Context(), w.job.Ref, rows(w.records[stream.Job]), nil))
	r := v.Report()
	require.Len(t, r.Findings, 2)
	require.Equal(t, proof.UnknownRules, r.Findings[1].Reason)
	require.Equal(t, proof.NotGiven, r.Findings[0].Reason)
	require.Equal(t, uint64(2), r.Findings[0].Seq)
}

func BenchmarkStream(b *testing.B) {
	w := newWorld(b)
	for range 500 {
		w.tell(w.calibration, tess, stream.Technician, "add", map[string]any{"n": 1})
	}
	records := w.records[stream.Calibration]
	for name, o := range map[string]proof.Options{"decided": w.options(), "hashes": {}} {
		b.Run(name, func(b *testing.B) {
			size := 0
			for _, r := range records {
				size += len(r.Body)
			}
			for b.Loop() {
				v := proof.New(o)
				err := v.Stream(b.Context(), w.calibration.Ref, rows(records), nil)
				if r := v.Report(); err != nil || r.Streams[0].Entries != uint64(len(records)) {
					b.Fatal(err, r.String())
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(records)), "ns/entry")
			b.ReportMetric(float64(size)/float64(len(records)), "bytes/entry")
		})
	}
}

func TestReportSpeaksPlainly(t *testing.T) {
	t.Parallel()
	ref := stream.Ref{Kind: stream.Job, ID: jobID}
	for want, f := range map[string]proof.Finding{
		"job " + jobID.String() + ", entry 3: Changed.": {Stream: ref, Seq: 3, Why: "Changed."},
		"job " + jobID.String() + ": Changed.":          {Stream: ref, Why: "Changed."},
		"heads.note: Changed.":                          {File: "heads.note", Why: "Changed."},
		"Changed.":                                      {Why: "Changed."},
	} {
		require.Equal(t, want, f.String())
	}
	raw, err := json.Marshal(proof.Finding{File: "README.txt", Reason: proof.BadFile, Why: "Changed."})
	require.NoError(t, err)
	require.JSONEq(t, `{"file":"README.txt","reason":"bad-file","why":"Changed."}`, string(raw))
}
