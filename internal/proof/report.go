package proof

import (
	"fmt"
	"strings"

	"readback/internal/fault"
	"readback/internal/stream"
)

// Reason classifies a finding. Reasons are published: one is never renamed and never given another meaning.
type Reason string

const (
	BadForm      Reason = "bad-form"      // the body is not what the format allows
	BadHash      Reason = "bad-hash"      // the body or the hash before it was changed
	BadOrder     Reason = "bad-order"     // an entry is missing, is there twice or stands in another place
	OtherStream  Reason = "other-stream"  // the entry belongs to another stream
	BadColumn    Reason = "bad-column"    // a column of the database does not say what the entries say
	BadTime      Reason = "bad-time"      // earlier than the entry before
	Repeated     Reason = "repeated"      // the command was answered before
	NotDecided   Reason = "not-decided"   // the rules refuse the command in that state
	Otherwise    Reason = "otherwise"     // the rules decide the command otherwise
	BadFacts     Reason = "bad-facts"     // the stored facts are not those the decision needed
	NotGiven     Reason = "not-given"     // the other stream never gave the fact it is said to have given
	OldFacts     Reason = "old-facts"     // the other stream had given a newer value well before; of several such entries the latest
	UnknownRules Reason = "unknown-rules" // of a version that is not known here: hashes hold, nothing was decided again
	BadKey       Reason = "bad-key"       // the key is not the one the first entry commits to
	BadSeal      Reason = "bad-seal"      // a sealed value does not open with the stream's key in its place
	MissingTail  Reason = "missing-tail"  // the trail ends before the head
	MissingHead  Reason = "missing-head"  // the database has entries of the stream and no row for it
	BadHead      Reason = "bad-head"      // the head names another last entry
	BadSignature Reason = "bad-signature" // the signed note is not as it was signed
	OtherSigner  Reason = "other-signer"  // signed by none of the trusted keys
	PhotoMissing Reason = "photo-missing" // an entry names a photo that should be there and is not
	PhotoChanged Reason = "photo-changed" // a photo is not the one that the entry names, or does not open in its place
	BadFile      Reason = "bad-file"      // another file of the bundle, or the archive itself, was changed
)

// Finding is one thing that does not hold.
type Finding struct {
	Stream stream.Ref `json:"stream,omitzero"`
	Seq    uint64     `json:"seq,omitempty"`  // of the first bad entry; 0 if it is not an entry or cannot be told
	File   string     `json:"file,omitempty"` // of the bundle
	Reason Reason     `json:"reason"`
	Why    string     `json:"why"` // one sentence or two
}

func (f Finding) String() string {
	switch {
	case f.Seq > 0:
		return fmt.Sprintf("%s %s, entry %d: %s", f.Stream.Kind, f.Stream.ID, f.Seq, f.Why)
	case f.Stream != (stream.Ref{}):
		return fmt.Sprintf("%s %s: %s", f.Stream.Kind, f.Stream.ID, f.Why)
	case f.File != "":
		return f.File + ": " + f.Why
	}
	return f.Why
}

// Stream is what was verified of one stream.
type Stream struct {
	Ref     stream.Ref  `json:"stream"`
	Entries uint64      `json:"entries"` // that hold
	Head    stream.Hash `json:"head"`    // of the last of them
	Rules   int         `json:"rules"`   // version named by the first entry, 0 if there is none
	Decided uint64      `json:"decided"` // entries decided again: all or none of Entries
}

// Signer is who signed a bundle.
type Signer struct {
	Name    string `json:"name"`
	Key     string `json:"key"`     // verifier key, as the bundle states it
	Trusted bool   `json:"trusted"` // one of the trusted keys; if not and there is no finding, the signer is unproven
}

// Report is what verification found.
type Report struct {
	Streams  []Stream  `json:"streams"`
	Signer   *Signer   `json:"signer,omitempty"` // of a bundle
	Findings []Finding `json:"findings"`         // bad entries first; empty: proven
	Facts    struct {
		Checked int `json:"checked"`  // values found in the stream they were taken from
		OnTrust int `json:"on_trust"` // values of streams that are not part of what was verified
	} `json:"facts"`
	Sealed struct {
		Opened int `json:"opened"`
		Closed int `json:"closed"` // the key is destroyed or not here; the hash covers them all the same
	} `json:"sealed"`
	Photos struct {
		Checked int `json:"checked"` // are the ones that entries name
		Absent  int `json:"absent"`  // could not be checked: gone with their key, or not here
	} `json:"photos"`
}

// Proven reports that nothing was found wrong.
func (r Report) Proven() bool { return len(r.Findings) == 0 }

// Err is a not-proven fault with the first finding, or nil.
func (r Report) Err() error {
	if r.Proven() {
		return nil
	}
	return fault.New(fault.NotProven, r.Findings[0].String())
}

// String says it all in plain lines.
func (r Report) String() string {
	var b strings.Builder
	if r.Proven() {
		b.WriteString("Proven.\n")
	} else {
		b.WriteString("Not proven.\n")
	}
	for _, f := range r.Findings {
		b.WriteString("  " + f.String() + "\n")
	}
	for _, s := range r.Streams {
		fmt.Fprintf(&b, "%s %s: ", s.Ref.Kind, s.Ref.ID)
		switch {
		case s.Entries == 0:
			b.WriteString("no entry holds")
		case s.Decided == s.Entries:
			b.WriteString(count(s.Entries, "entry", "entries") + " decided again")
		default:
			fmt.Fprintf(&b, "%s by hash only: rules %d are not known here", count(s.Entries, "entry holds", "entries hold"), s.Rules)
		}
		b.WriteString(".\n")
	}
	if s := r.Signer; s != nil {
		if s.Trusted {
			fmt.Fprintf(&b, "Signed by %s, a trusted key.\n", s.Name)
		} else if r.Proven() {
			fmt.Fprintf(&b, "Signer unproven: it calls itself %s. Give its key with --key to prove it.\n", s.Name)
		}
	}
	if r.Facts.OnTrust > 0 {
		fmt.Fprintf(&b, "%s of streams that are not here: taken as the entries state them.\n", count(uint64(r.Facts.OnTrust), "value", "values"))
	}
	if r.Sealed.Closed > 0 {
		fmt.Fprintf(&b, "%s closed: the key is not here or destroyed.\n", count(uint64(r.Sealed.Closed), "sealed value stays", "sealed values stay"))
	}
	if n := r.Photos.Checked; n > 0 {
		fmt.Fprintf(&b, "%s the entries name.\n", count(uint64(n), "photo is the one that", "photos are the ones that"))
	}
	if n := r.Photos.Absent; n > 0 {
		fmt.Fprintf(&b, "%s be checked: erased with the key, or not here.\n", count(uint64(n), "photo cannot", "photos cannot"))
	}
	return b.String()
}

func count(n uint64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
