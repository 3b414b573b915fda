// Package trail is the form in which entries last: the bytes that are hashed, the chain of hashes, the sealing of
// personal values, and the bundle that carries a calibration's trail out of the house. docs/trail.md describes the
// format for whoever reads it without this program; testdata/trail pins it.
//
// Invariants. The body of an entry is canonical JSON (RFC 8785) without fractions and without null, so it has one
// spelling in every language. Decode accepts exactly what Encode writes. An entry's hash covers the hash before it, so
// the last hash of a stream stands for all of it. A personal value stands in an entry only as ciphertext, and the hash
// covers the ciphertext: destroying the key erases the value and breaks nothing.
//
// Everything here is pure: randomness comes from the reader a caller passes, times from the entries. A Record and an
// Entry decoded from it share memory and are never changed; a Key is safe for many goroutines.
package trail

import (
	"crypto/sha256"
	"fmt"
	"time"

	"readback/internal/stream"
)

// MaxBody is the size an entry's body may have, in bytes.
const MaxBody = 1 << 20

// tagEntry separates hashes of entries from everything else that is hashed.
const tagEntry = "readback/entry/1\n"

// Record is an entry as a table row holds it. Body and Hash are the entry; the other columns repeat what the body says
// so that a database can index it.
type Record struct {
	Stream    stream.ID
	Seq       uint64
	Kind      stream.Kind
	Type      string
	V         int
	At        time.Time
	Actor     stream.ID // the member who gave the command
	CommandID stream.ID
	Body      []byte
	Prev      stream.Hash
	Hash      stream.Hash
}

// Ref is the stream the record says it belongs to.
func (r Record) Ref() stream.Ref { return stream.Ref{Kind: r.Kind, ID: r.Stream} }

// Sum is the hash of an entry: SHA-256 over a tag, the hash of the entry before (zero for the first) and the body.
func Sum(prev stream.Hash, body []byte) stream.Hash {
	h := sha256.New()
	h.Write([]byte(tagEntry))
	h.Write(prev[:])
	h.Write(body)
	var sum stream.Hash
	h.Sum(sum[:0])
	return sum
}

// Follows reports why a record is not the next link of the chain after entry seq with the given hash, or nil. Both are
// zero before the first entry.
func Follows(seq uint64, head stream.Hash, r Record) error {
	switch {
	case r.Seq != seq+1:
		return fmt.Errorf("entry %d of %s follows entry %d", r.Seq, r.Ref(), seq)
	case r.Prev != head:
		return fmt.Errorf("entry %d of %s names %s as the hash before it, which is %s", r.Seq, r.Ref(), r.Prev, head)
	case Sum(r.Prev, r.Body) != r.Hash:
		return fmt.Errorf("entry %d of %s does not have the hash recorded for it", r.Seq, r.Ref())
	}
	return nil
}

// Moment is t as an entry can hold it: UTC, whole milliseconds. Decide with a Moment, or deciding again from the entry
// would use another time.
func Moment(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }
