package live

import (
	"context"
	"io"
	"time"

	"readback/internal/stream"
	"readback/internal/trail"
)

// Store is what the hub needs of the database. All of it may be used from many goroutines. Package
// internal/testkit/storetest checks that an implementation keeps these promises.
type Store interface {
	// Load gives a stream's entries after the sequence number, in order; none if there are none, and at most limit unless
	// that is 0.
	Load(ctx context.Context, ref stream.Ref, after uint64, limit int) ([]trail.Record, error)

	// LoadFor is Load on behalf of an organisation: what is given to its people is read so. It may know by itself what the
	// organisation may see and leave out the rest; it never leaves out what package access lets them see. Where there is a
	// limit, it also stops with the entry that brings what it gives to PageBytes: less than the limit is not the end.
	LoadFor(ctx context.Context, org stream.ID, ref stream.Ref, after uint64, limit int) ([]trail.Record, error)

	// Append makes one entry durable, with the rows that must change with it, and returns after the commit. It gives Won
	// also for an entry that already stands there with the same hash. An error is an unknown outcome, and the same bytes may
	// be sent again, unless it is a *fault.Error of a kind other than fault.Unavailable: then nothing was written and never
	// will be.
	Append(ctx context.Context, a Append) (Outcome, error)

	// Key gives the wrapped key of that id, or a not-found fault once it was destroyed.
	Key(ctx context.Context, id stream.ID) (trail.WrappedKey, error)

	// Now is the database's clock, by which nodes correct theirs.
	Now(ctx context.Context) (time.Time, error)
}

// PageBytes is from where on a page of entries that somebody is given is full, in bytes of their bodies. It is kept in memory
// for as long as whoever asked takes to read it.
const PageBytes = 256 << 10

// Append is one entry and what is written in the same statement.
type Append struct {
	Record  trail.Record
	Summary stream.Summary    // the stream's row in lists after this entry
	NewKey  *trail.WrappedKey // with the first entry of a stream that has a key of its own
	Runs    *stream.Person    // the specialist whose one running routine starts; a second is refused by the database
	Ends    *stream.Person    // the specialist whose running routine ends

	// Clues are what the stream can be found by from then on, beside those it has. They go with the key Sealed, under which
	// the values are sealed that they are of: a Store keeps none whose key is gone. One that finds nothing by them may pass them over.
	Clues  []trail.Clue
	Sealed stream.ID
}

// Outcome of an Append that reached the database.
type Outcome int

const (
	Won           Outcome = iota // the entry is durable
	Lost                         // another entry has that number: load, look for the command's id, decide again
	RunsElsewhere                // the specialist already runs another routine; nothing was written
)

// Bus tells the nodes of a cluster which streams have new entries, and what is true now. Both are hints: a lost wake-up
// costs time, never an entry, and what is told is told again when it changes.
type Bus interface {
	// Changed delivers the streams that other nodes (or this one) appended to; an empty slice means "any, look".
	Changed() <-chan []stream.ID

	// Tell gives the other nodes a value, which is not changed any more, in place of the last one of the key. It may be
	// lost, or replaced by the next before it was sent. It never blocks; one that is too large is refused.
	Tell(key string, value []byte) error

	// Told delivers what other nodes told, the newest of each key, and never what this one did; an empty slice means that
	// some may have been missed.
	Told() <-chan []Told
}

// Node names one node of a cluster, from its start to its end.
type Node uint64

// Told is a value that another node told.
type Told struct {
	Node  Node
	Key   string
	Value []byte // shared, never changed
}

// Keys wraps and unwraps streams' keys, and makes clues. trail.WrappingKey does.
type Keys interface {
	Wrap(random io.Reader, k trail.Key) (trail.WrappedKey, error)
	Unwrap(w trail.WrappedKey) (trail.Key, error)
	Clue(value string) trail.Clue
}
