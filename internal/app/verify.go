package app

import (
	"context"
	"errors"
	"io/fs"
	"iter"
	"log/slog"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/config"
	"readback/internal/postgres"
	"readback/internal/proof"
	"readback/internal/stream"
	"readback/internal/trail"
)

// ProofOptions are how this release verifies: every version of the rules it knows, and the parts of decisions that
// another processor may round otherwise by one unit.
func ProofOptions(trusted []note.Verifier) proof.Options {
	return proof.Options{
		Rules:    map[int]map[stream.Kind]stream.Rules{stream.RulesVersion: Rules()},
		Computed: []string{"verdict", "closing", "plan", "says"},
		Trusted:  trusted,
	}
}

// VerifyDatabase verifies every stream of the database at one moment, calibrations first, since they rely on the others.
// With the key file at hand sealed values are opened too. A private cluster is verified where it runs if another process
// runs it, and is not made if there is none.
func VerifyDatabase(ctx context.Context, cfg config.Config, log *slog.Logger) (report proof.Report, err error) {
	d, err := existingDatabase(ctx, cfg, log)
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, d.close(context.WithoutCancel(ctx))) }()
	db, err := postgres.Open(ctx, d.url, postgres.Options{Log: log})
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, db.Close(context.WithoutCancel(ctx))) }()
	options := ProofOptions(nil)
	keys, err := openKeyFile(cfg.KeyFile)
	switch {
	case err == nil:
		options.Key = func(id stream.ID) (trail.Key, bool) {
			wrapped, err := db.Key(ctx, id)
			if err != nil {
				return trail.Key{}, false
			}
			key, err := keys.Wrapping().Unwrap(wrapped)
			return key, err == nil
		}
	case !errors.Is(err, fs.ErrNotExist):
		return report, err
	}
	v := proof.New(options)
	err = db.Snapshot(ctx, func(s postgres.Snapshot) error { return verifyAll(ctx, v, s) })
	return v.Report(), err
}

func verifyAll(ctx context.Context, v *proof.Verifier, s postgres.Snapshot) error {
	heads := map[stream.Ref]*trail.Head{}
	for h, err := range s.AllHeads(ctx) {
		if err != nil {
			return err
		}
		heads[h.Stream] = &trail.Head{Ref: h.Stream, Seq: h.Seq, Hash: h.Hash}
	}
	for _, kind := range []stream.Kind{stream.Calibration, stream.Job, stream.Register} {
		next, stop := iter.Pull2(s.AllRecords(ctx, kind))
		err := eachStream(next, func(ref stream.Ref, records iter.Seq2[trail.Record, error]) error {
			head := heads[ref]
			delete(heads, ref)
			return v.Stream(ctx, ref, records, head)
		})
		stop()
		if err != nil {
			return err
		}
	}
	for ref, head := range heads { // streams of which nothing is left
		none := func(func(trail.Record, error) bool) {}
		if err := v.Stream(ctx, ref, none, head); err != nil {
			return err
		}
	}
	return nil
}

// eachStream cuts rows that come stream by stream into streams. do need not read its records to the end.
func eachStream(next func() (trail.Record, error, bool), do func(stream.Ref, iter.Seq2[trail.Record, error]) error) error {
	r, err, more := next()
	for more {
		if err != nil {
			return err
		}
		ref := r.Ref()
		records := func(yield func(trail.Record, error) bool) {
			for more && (err != nil || r.Ref() == ref) {
				if !yield(r, err) || err != nil {
					return
				}
				r, err, more = next()
			}
		}
		if err := do(ref, records); err != nil {
			return err
		}
		for more && err == nil && r.Ref() == ref { // what do left
			r, err, more = next()
		}
	}
	return nil
}
