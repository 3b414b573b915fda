package proof

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"readback/internal/stream"
)

// apart is how much the times of two streams may disagree. A value is read before the entry that relies on it gets its
// time; an entry may wait a while for the database after it got its own; and the clocks of two nodes differ a little.
const apart = time.Minute

// uses are, by stream, name and number of the entry there that gave the value, the latest entry that relied on it.
// Number 0: it relied on there being no such value. An entry that relies on what is old by its time is as bad as one
// that relies on what was never given: a leg could start on the scan before the one that found a fault.
type uses map[stream.Ref]map[string]map[uint64]claimant

// rely keeps which values of other streams the entry was decided with.
func (v *Verifier) rely(ref stream.Ref, e stream.Entry, keys []stream.FactKey, facts stream.Facts) {
	for _, k := range keys {
		if k.Stream == ref {
			continue
		}
		byName := v.uses[k.Stream]
		if byName == nil {
			byName = map[string]map[uint64]claimant{}
			v.uses[k.Stream] = byName
		}
		if byName[k.Name] == nil {
			byName[k.Name] = map[uint64]claimant{}
		}
		given := facts[k].Seq
		if last, ok := byName[k.Name][given]; !ok || e.At.After(last.at) {
			byName[k.Name][given] = claimant{ref, e.Seq, e.At}
		}
	}
}

// outdate looks for entries that relied on an older value than entry e of ref, which was just folded, had given by then.
func (v *Verifier) outdate(ref stream.Ref, e stream.Entry, fold *stream.Fold) {
	var found []Finding
	for name, byGiven := range v.uses[ref] {
		if !anyBefore(byGiven, e.Seq) {
			continue
		}
		if f, ok := gives(fold, name); !ok || f.Seq != e.Seq {
			continue
		}
		for given, last := range byGiven {
			if given >= e.Seq {
				continue
			}
			if last.at.After(e.At.Add(apart)) {
				found = append(found, Finding{Stream: last.ref, Seq: last.seq, Reason: OldFacts, Why: fmt.Sprintf(
					"It relies on %s as %s had it before entry %d there, which was made %s earlier.",
					name, ref, e.Seq, last.at.Sub(e.At).Round(time.Second))})
			}
			delete(byGiven, given) // its latest use is judged
		}
	}
	slices.SortFunc(found, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Stream.String(), b.Stream.String()), cmp.Compare(a.Seq, b.Seq), cmp.Compare(a.Why, b.Why))
	})
	v.report.Findings = append(v.report.Findings, found...)
}

func anyBefore(byGiven map[uint64]claimant, seq uint64) bool {
	for given := range byGiven {
		if given < seq {
			return true
		}
	}
	return false
}
