package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/keyfile"
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
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return report, err
	}
	opener := keyOpener{ctx: ctx, db: db, keys: keys, said: map[stream.ID]bool{}}
	if keys != nil {
		options.Key = opener.open
	}
	options.Photo = opener.photo
	v := proof.New(options)
	err = db.Snapshot(ctx, func(s postgres.Snapshot) error {
		return verifyAll(ctx, v, s, func(ref stream.Ref) { opener.at = ref })
	})
	report = v.Report()
	report.Findings = append(report.Findings, opener.findings...)
	return report, errors.Join(err, opener.err)
}

// keyOpener opens the keys of sealed values. A key that is not there any more was destroyed, which is no fault; one that
// is there and does not open is a finding, at the first stream that needs it.
type keyOpener struct {
	ctx  context.Context
	db   *postgres.DB
	keys *keyfile.Keys

	at       stream.Ref // the stream being verified
	said     map[stream.ID]bool
	findings []proof.Finding
	err      error // the first of reading the database
}

func (o *keyOpener) open(id stream.ID) (trail.Key, bool) {
	wrapped, err := o.db.Key(o.ctx, id)
	if err != nil {
		if !fault.Is(err, fault.NotHere) {
			o.fail(err)
		}
		return trail.Key{}, false
	}
	return o.unwrap(wrapped)
}

func (o *keyOpener) unwrap(wrapped trail.WrappedKey) (trail.Key, bool) {
	key, err := o.keys.Wrapping().Unwrap(wrapped)
	if id := wrapped.ID; err != nil && !o.said[id] {
		o.said[id] = true
		o.findings = append(o.findings, proof.Finding{Stream: o.at, Reason: proof.BadKey, Why: fmt.Sprintf(
			"The key %s of its personal values does not open with the key file: the key was changed in the database, or this is another key file.", id)})
	}
	return key, err == nil
}

// photo looks for a photo first and for its key then: a key that is destroyed in between takes the photo with it.
func (o *keyOpener) photo(owner, of stream.Ref, id stream.ID) (found proof.Photo) {
	p, err := o.db.Photo(o.ctx, of.ID, id)
	if err != nil && !fault.Is(err, fault.NotHere) {
		o.fail(err)
		return found
	}
	found.Sealed = p.Sealed
	wrapped, err := o.db.KeyOf(o.ctx, owner.ID)
	if err != nil {
		if !fault.Is(err, fault.NotHere) {
			o.fail(err)
		}
		return found
	}
	found.Must = true
	if o.keys == nil {
		return found
	}
	if key, ok := o.unwrap(wrapped); ok {
		found.Key = &key
	}
	return found
}

// fail keeps the first error.
func (o *keyOpener) fail(err error) {
	if o.err == nil {
		o.err = err
	}
}

// verifyAll tells at which stream it is.
func verifyAll(ctx context.Context, v *proof.Verifier, s postgres.Snapshot, at func(stream.Ref)) error {
	rows := map[stream.Ref]*proof.Row{}
	for h, err := range s.AllHeads(ctx) {
		if err != nil {
			return err
		}
		rows[h.Stream] = &proof.Row{
			Head:    trail.Head{Ref: h.Stream, Seq: h.Seq, Hash: h.Hash},
			Summary: stream.Summary{Org: h.Org, Job: h.Job, Desk: h.Desk, Phase: h.Phase, QueuedAt: h.QueuedAt, DueAt: h.DueAt},
			Changed: h.ChangedAt,
		}
	}
	for _, kind := range []stream.Kind{stream.Calibration, stream.Job, stream.Register} {
		next, stop := iter.Pull2(s.AllRecords(ctx, kind))
		err := eachStream(next, func(ref stream.Ref, records iter.Seq2[trail.Record, error]) error {
			row := rows[ref]
			delete(rows, ref)
			at(ref)
			return v.Stored(ctx, ref, records, row)
		})
		stop()
		if err != nil {
			return err
		}
	}
	for ref, row := range rows { // streams of which nothing is left
		none := func(func(trail.Record, error) bool) {}
		if err := v.Stored(ctx, ref, none, row); err != nil {
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
