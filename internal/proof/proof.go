// Package proof verifies trails without believing them. It walks a stream from its first entry, checks every hash,
// decodes every body, and decides every entry again: the command, the actor, the time and the facts come from the
// entry, the state from the entries before it, the rules from the version that the first entry names. What comes out
// must be what the entry says. So a trail that was changed and hashed anew is caught unless the change is one that the
// rules would have made too, and against that stands the signed head.
//
// What it needs is the trail and the rules. It knows no database and no network; package trail takes bundles apart.
//
// Invariants. A Report without findings means that everything listed as checked was checked. The first bad entry of a
// stream ends the walk of that stream, because the state after it means nothing; a photo that is missing or was changed
// is found wrong at the entry that names it and ends nothing. Input of any kind is refused, never
// a panic. Nothing here is safe for several goroutines at once.
package proof

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Options say what to verify by.
type Options struct {
	// Rules are the rules known, by version and kind. A stream under another version has its hashes checked and is not
	// proven: whoever holds the keys could name rules that nobody has.
	Rules map[int]map[stream.Kind]stream.Rules

	// Computed names the keys under which decisions hold results of floating-point work: there an amount, which is a
	// number under a key that names its unit (um, udeg, ppm), may differ by one, because another processor rounds
	// otherwise. Everything else is compared byte for byte.
	Computed []string

	// Trusted are the keys a bundle's heads may be signed with. Without any, the signer is reported as unproven.
	Trusted []note.Verifier

	// Key gives the key that sealed values are under, if there is one still; nil opens nothing. A bundle brings its own.
	Key func(id stream.ID) (trail.Key, bool)

	// Photo looks for a photo that an entry of the stream of names; owner is the stream whose key seals it. nil looks for
	// none. A bundle brings its own.
	Photo func(owner, of stream.Ref, id stream.ID) Photo
}

// Verifier verifies any number of streams that rely on each other. Streams that rely on others go first: calibrations,
// then jobs, then registers. A value that one stream took from another is checked when the other is walked.
type Verifier struct {
	o        Options
	computed map[string]bool
	claims   claims
	uses     uses
	report   Report
}

// New makes a Verifier.
func New(o Options) *Verifier {
	v := &Verifier{o: o, computed: map[string]bool{}, claims: claims{}, uses: uses{}}
	for _, key := range o.Computed {
		v.computed[key] = true
	}
	return v
}

// stream verifies one stream of a database. records are its rows in order; head is what is recorded elsewhere as its
// last entry, nil if nothing is. An error is one of reading records or of ctx; what is wrong with the stream itself is
// in the Report.
func (v *Verifier) stream(ctx context.Context, ref stream.Ref, records iter.Seq2[trail.Record, error], head *trail.Head) (*walk, error) {
	w := v.walk(ref)
	w.columns = true
	for r, err := range records {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return nil, fmt.Errorf("verify %s: %w", ref, err)
		}
		if !w.step(r) {
			break
		}
	}
	w.end(head)
	return w, nil
}

// Report is what was found so far, bad entries first: stream by stream in the order they were walked. Values taken from
// streams that were not verified count as taken on trust.
func (v *Verifier) Report() Report {
	r := v.report
	r.Facts.OnTrust = v.claims.count()
	place := map[stream.Ref]int{}
	for i, s := range r.Streams {
		place[s.Ref] = i
	}
	r.Findings = append([]Finding{}, r.Findings...)
	slices.SortStableFunc(r.Findings, func(a, b Finding) int {
		if (a.Seq > 0) != (b.Seq > 0) {
			return cmp.Compare(b.Seq, a.Seq)
		}
		return cmp.Or(cmp.Compare(place[a.Stream], place[b.Stream]), cmp.Compare(a.Seq, b.Seq))
	})
	return r
}
