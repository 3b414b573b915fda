package stream

import (
	"encoding/json"
	"time"
)

// RulesVersion is the version of all three kinds' rules that new streams are opened under.
const RulesVersion = 1

// State is a kind's folded state. Apply returns a new one and leaves the old untouched, so a State may be read by
// anyone while the stream goes on.
type State any

// Rules are one kind's pure rules. Nothing in them reads a clock, draws a random number or does I/O.
type Rules interface {
	Kind() Kind

	// New is the state before the first entry.
	New(id ID) State

	// Admit checks a command's plain data strictly (unknown keys, types, ranges, the form of personal values), adds what
	// Decide needs to know of the personal values openly, and says which values (keys at the top of data) are to be
	// sealed before Decide sees them.
	Admit(cmd Command) (data json.RawMessage, seal []string, err error)

	// Needs lists the facts that deciding the admitted command may rely on.
	Needs(s State, actor Actor, cmd Command) ([]FactKey, error)

	// Decide turns an admitted, sealed command into the one entry it makes, or refuses with a *fault.Error.
	Decide(s State, actor Actor, cmd Command, facts Facts, now time.Time) (Decision, error)

	// Apply folds one entry. It fails only on an entry that these rules never write.
	Apply(s State, e Entry) (State, error)

	// Stale reports whether an entry of the given type, unseen by the sender, makes a command of the given type stale.
	Stale(command, entry string) bool

	// Fact gives a value of this stream for others, and the sequence number of the entry that last changed it.
	Fact(s State, name string) (value json.RawMessage, seq uint64, ok bool)

	// Relation says what the actor's organisation and person are to the stream. needs names facts it depends on.
	RelationNeeds(s State, actor Actor) []FactKey
	Relation(s State, actor Actor, facts Facts) Relation

	// Summary is what lists show of the stream.
	Summary(s State) Summary

	// Key says whose key seals this stream's personal values: the stream itself, or the one it belongs to. cmd is the
	// opening command when the state is still empty.
	Key(s State, cmd Command) (Ref, error)
}

// Decision is what Decide adds to the command.
type Decision struct {
	Type    string // entry type
	V       int    // its version
	Role    Role   // the role the actor acted under
	Decided any    // marshalled into the entry; integers only; nil for nothing
	// Runs, if set, is the specialist whose one running routine this entry starts; the database refuses a second.
	Runs *Person
	// Ends, if set, is the specialist whose running routine this entry ends.
	Ends *Person
}

// Relation is what someone is to a stream. Foreign sees nothing, not even that the stream exists.
type Relation string

const (
	Own     Relation = "own"     // of the shop (or organisation) that owns it
	Agreed  Relation = "agreed"  // of a desk that has an agreement with the shop, and guidance is requested
	Claimed Relation = "claimed" // of the desk that claimed it
	Ended   Relation = "ended"   // of a desk that had claimed it once
	Foreign Relation = "foreign"
)

// Summary is the stream's row in lists; Data is shown as it is and holds nothing personal.
type Summary struct {
	Org      ID         // the owner
	Job      *ID        // a calibration's job
	Desk     *ID        // the desk that claimed it last
	Phase    string     // a calibration's phase; "open" for the others
	QueuedAt *time.Time // waiting for a specialist since
	DueAt    *time.Time // while it waits: what the order of the queue goes by
	Data     any
}
