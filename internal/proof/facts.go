package proof

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"readback/internal/stream"
	"readback/internal/trail"
)

// known are the facts the entry was decided with: of those needed, the ones it stores, else the ones held.
func known(fold *stream.Fold, e stream.Entry, keys []stream.FactKey) stream.Facts {
	facts := stream.Facts{}
	for _, k := range keys {
		if f, ok := fold.Held[k]; ok {
			facts[k] = f
		}
		for _, f := range e.Facts {
			if f.Key == k {
				facts[k] = f
			}
		}
	}
	return facts
}

// differentFacts says how the stored facts differ from those that the decision stores, or nothing.
func differentFacts(stored, needed []stream.Fact) string {
	for _, f := range stored {
		if !slices.ContainsFunc(needed, func(n stream.Fact) bool { return n.Key == f.Key }) {
			return fmt.Sprintf("It stores the fact %s, which is not needed or already held.", f.Key)
		}
	}
	for i, f := range needed { // each needed one comes from the entry itself, so only the order can still differ
		if i >= len(stored) || stored[i].Key != f.Key {
			return "It stores its facts in another order."
		}
	}
	return ""
}

// notOwn names a stored fact that is said to be the stream's own and is not, or nothing. Those of other streams are
// checked when these are walked.
func notOwn(fold *stream.Fold, stored []stream.Fact) string {
	for _, f := range stored {
		if f.Key.Stream != fold.Ref {
			continue
		}
		own, ok := gives(fold, f.Key.Name)
		if !ok || own.Seq != f.Seq || own.Hash != f.Hash || openPart(own.Value) != openPart(f.Value) {
			return f.Key.Name
		}
	}
	return ""
}

// claims are what entries say of other streams, by stream and entry there. The same said often is kept once, with
// who said it first.
type claims map[stream.Ref]map[uint64]map[claim]claimants

type claim struct {
	name  string
	hash  stream.Hash
	value [sha256.Size]byte // of the value with what is sealed left out: every stream seals it anew
}

type claimant struct {
	ref stream.Ref
	seq uint64
	at  time.Time
}

// claimants said the same: who was walked first, and who said it at the earliest time.
type claimants struct{ first, earliest claimant }

func (c claims) count() int {
	n := 0
	for _, bySeq := range c {
		for _, each := range bySeq {
			n += len(each)
		}
	}
	return n
}

// claim keeps what the entry says of other streams.
func (v *Verifier) claim(ref stream.Ref, e stream.Entry) {
	for _, f := range e.Facts {
		if f.Key.Stream == ref {
			continue
		}
		bySeq := v.claims[f.Key.Stream]
		if bySeq == nil {
			bySeq = map[uint64]map[claim]claimants{}
			v.claims[f.Key.Stream] = bySeq
		}
		if bySeq[f.Seq] == nil {
			bySeq[f.Seq] = map[claim]claimants{}
		}
		c := claim{f.Key.Name, f.Hash, openPart(f.Value)}
		said, ok := bySeq[f.Seq][c]
		now := claimant{ref, e.Seq, e.At}
		switch {
		case !ok:
			said = claimants{now, now}
		case now.at.Before(said.earliest.at):
			said.earliest = now
		}
		bySeq[f.Seq][c] = said
	}
}

// openPart is a digest of a value without its sealed parts.
func openPart(value []byte) [sha256.Size]byte {
	blank, err := trail.EachSealed(value, func(string, stream.Sealed) (any, error) { return map[string]string{"sealed": ""}, nil })
	if err != nil { // not JSON the trail can hold, so equal to nothing that an entry holds
		blank = append([]byte("unusable: "), value...)
	}
	return sha256.Sum256(bytes.TrimSpace(blank))
}

// settle checks what was said of entry e of ref, which was just folded. Without the rules only its hash is checked, and
// its time.
func (v *Verifier) settle(ref stream.Ref, e stream.Entry, fold *stream.Fold) {
	for _, s := range v.said(ref, e.Seq) {
		ok := s.hash == e.Hash
		if ok && fold != nil {
			f, given := gives(fold, s.name)
			ok = given && f.Seq == e.Seq && openPart(f.Value) == s.value
		}
		switch {
		case !ok:
			v.notGiven(s.first, "It relies on a value of %s that entry %d there does not give: %s.", ref, e.Seq, s.name)
		case e.At.After(s.earliest.at.Add(apart)):
			v.notGiven(s.earliest, "It relies on a value of %s that entry %d there gave only %s later: %s.",
				ref, e.Seq, e.At.Sub(s.earliest.at).Round(time.Second), s.name)
		default:
			v.report.Facts.Checked++
		}
	}
	delete(v.claims[ref], e.Seq)
	if fold != nil {
		v.outdate(ref, e, fold)
	}
}

// gives asks the folded stream for a fact whose name may be forged.
func gives(fold *stream.Fold, name string) (f stream.Fact, ok bool) {
	defer func() {
		if recover() != nil {
			ok = false
		}
	}()
	return fold.Fact(name)
}

// settleRest refuses what was said of entries that ref does not have.
func (v *Verifier) settleRest(ref stream.Ref, last uint64) {
	for _, seq := range slices.Sorted(maps.Keys(v.claims[ref])) {
		for _, s := range v.said(ref, seq) {
			v.notGiven(s.first, "It relies on entry %d of %s, which has %d: %s.", seq, ref, last, s.name)
		}
	}
}

// said lists what was said of an entry, in a fixed order.
func (v *Verifier) said(ref stream.Ref, seq uint64) []saying {
	if len(v.claims[ref][seq]) == 0 {
		return nil
	}
	said := make([]saying, 0, len(v.claims[ref][seq]))
	for c, who := range v.claims[ref][seq] {
		said = append(said, saying{c, who})
	}
	slices.SortFunc(said, func(a, b saying) int {
		return cmp.Or(strings.Compare(a.first.ref.String(), b.first.ref.String()), cmp.Compare(a.first.seq, b.first.seq), strings.Compare(a.name, b.name))
	})
	return said
}

type saying struct {
	claim
	claimants
}

// drop forgets what was said of ref.
func (v *Verifier) drop(ref stream.Ref) {
	delete(v.claims, ref)
	delete(v.uses, ref)
}

func (v *Verifier) notGiven(who claimant, why string, args ...any) {
	v.report.Findings = append(v.report.Findings,
		Finding{Stream: who.ref, Seq: who.seq, Reason: NotGiven, Why: fmt.Sprintf(why, args...)})
}
