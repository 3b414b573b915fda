// Package stream holds what the three kinds of stream share. A stream is one append-only line of entries with one
// owner: a register (an organisation's people, bays, instruments), a job (the car) or a calibration (one sensor of it).
//
// The rule that explains the rest: a command is decided by a pure function over the stream's state into exactly one
// entry, and the state is the fold of the entries. Rules is that pure function, one per kind; the packages calibration,
// job and register implement it, package live drives it for people and package proof drives it again to verify.
//
// A stream sees another stream only as Facts: values that the other stream's state gives at a sequence number, stored
// with the entry that relied on them. So a trail explains itself without the rest of the database.
package stream

import (
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"readback/internal/fault"
)

// ID names a stream, a member, a command or a registered thing. Streams and commands get UUIDv7 from whoever makes them.
type ID = uuid.UUID

// NewID makes a UUIDv7. It reads the clock and randomness: not for the pure core.
func NewID() ID { return uuid.Must(uuid.NewV7()) }

// FirstID is before every id that is made from that millisecond on, and after those made before it: ids begin with the time.
func FirstID(t time.Time) ID {
	var id ID
	ms := uint64(t.UnixMilli()) << 16
	binary.BigEndian.PutUint64(id[:8], ms)
	return id
}

// ParseID reads the one published form: 36 characters, lower case. field names it in the refusal.
func ParseID(field, s string) (ID, error) {
	id, err := uuid.Parse(s)
	if err != nil || len(s) != 36 || strings.ToLower(s) != s || id == uuid.Nil {
		return ID{}, fault.Badly(field, "a UUID of 36 characters in lower case")
	}
	return id, nil
}

// AppendID writes an id in its one published form.
func AppendID(b []byte, id ID) []byte {
	b = hex.AppendEncode(b, id[:4])
	for _, part := range [...][]byte{id[4:6], id[6:8], id[8:10], id[10:]} {
		b = hex.AppendEncode(append(b, '-'), part)
	}
	return b
}

// Kind is a kind of stream.
type Kind string

const (
	Register    Kind = "register"    // one per organisation; its id is the organisation's
	Job         Kind = "job"         // one per visit of a car
	Calibration Kind = "calibration" // one per sensor calibrated in a job
)

// Ref points at a stream.
type Ref struct {
	Kind Kind `json:"kind"`
	ID   ID   `json:"id"`
}

func (r Ref) String() string { return string(r.Kind) + "/" + r.ID.String() }

// Role is what a member may act as.
type Role string

const (
	Technician Role = "technician"
	Specialist Role = "specialist"
	Owner      Role = "owner"
	System     Role = "system"    // the server itself: a lapsed lease, the first owner
	Interface  Role = "interface" // a device in a car: it opens a job and announces the VIN, nothing else
	Gateway    Role = "gateway"   // a device at a bay's instruments: it shows what they read and makes no entry
)

// Person names one person, or one device. Owners choose the ids in their registers, so a member's id says who only beside the
// organisation: two registers may hold the same one.
type Person struct{ Org, Member ID }

// Actor is who gives a command: a member of an organisation with the roles its register gives now, or one of its devices.
// The server looks it up; a client never states it.
type Actor struct {
	Member ID
	Org    ID
	Roles  []Role
}

// Person is who acts.
func (a Actor) Person() Person { return Person{a.Org, a.Member} }

// Has reports whether the actor holds the role.
func (a Actor) Has(r Role) bool {
	return slices.Contains(a.Roles, r)
}

// As returns the first of the wanted roles that the actor holds.
func (a Actor) As(wanted ...Role) (Role, bool) {
	for _, r := range wanted {
		if a.Has(r) {
			return r, true
		}
	}
	return "", false
}

// By is the actor as an entry records it: the one role acted under.
type By struct {
	Member ID   `json:"member"`
	Org    ID   `json:"org"`
	Role   Role `json:"role"`
}

// Person is who acted.
func (b By) Person() Person { return Person{b.Org, b.Member} }

// Actor is the actor whose only role is the recorded one, for deciding again.
func (b By) Actor() Actor { return Actor{Member: b.Member, Org: b.Org, Roles: []Role{b.Role}} }

// Command asks for one change of one stream. ID is chosen by the sender and makes a resend harmless. Base is the
// sequence number of the last entry the sender had seen (0: the stream does not exist yet). Data holds integers only:
// micrometres (_um), microdegrees (_udeg), parts per million (_ppm).
type Command struct {
	ID   ID              `json:"id"`
	Base uint64          `json:"base"`
	Type string          `json:"type"`
	Data json.RawMessage `json:"data"`
}

// Hash is a SHA-256 sum; in text it is 64 lower-case hexadecimal digits.
type Hash [32]byte

func (h Hash) String() string               { return hex.EncodeToString(h[:]) }
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText accepts exactly what MarshalText writes.
func (h *Hash) UnmarshalText(text []byte) error {
	var got Hash
	if len(text) == hex.EncodedLen(len(got)) {
		if _, err := hex.Decode(got[:], text); err == nil && got.String() == string(text) {
			*h = got
			return nil
		}
	}
	return fmt.Errorf("hash %.80q: want 64 lower-case hexadecimal digits", text)
}

// Sealed is a personal value as entries carry it: encrypted under the key K, V is base64url(nonce ‖ ciphertext).
// Decide and Apply carry it along and never look inside.
type Sealed struct {
	Sealed SealedValue `json:"sealed"`
}

// SealedValue is the inside of Sealed.
type SealedValue struct {
	K ID     `json:"k"`
	V string `json:"v"`
}

// FactKey names a fact: what Name (such as "instrument/<id>") means is the business of the stream's kind.
type FactKey struct {
	Stream Ref    `json:"stream"`
	Name   string `json:"name"`
}

func (k FactKey) String() string { return k.Stream.String() + "#" + k.Name }

// Fact is a value another stream gives: Seq and Hash are of the entry there that last changed it. A thing retired or
// ended keeps its fact, with a value that says so; a missing fact was never there.
type Fact struct {
	Key   FactKey         `json:"key"`
	Seq   uint64          `json:"seq"`
	Hash  Hash            `json:"hash"`
	Value json.RawMessage `json:"value"`
}

// Facts are the facts a command was decided with.
type Facts map[FactKey]Fact

// Entry is one decided command. Data of the command is as admitted and sealed (see Rules.Admit).
type Entry struct {
	Stream  Ref
	Seq     uint64 // from 1
	Type    string // what happened, such as "readings-reported"
	V       int    // version of the entry type
	At      time.Time
	By      By
	Command Command
	MAC     []byte          // HMAC-SHA256 of the canonical plain command, to tell a resend from a reuse of the id
	Facts   []Fact          // those not already held by the stream at that version, in order of key
	Decided json.RawMessage // what the decision added to the command; {} if nothing
	Opens   *Opens          // in the first entry only
	Prev    Hash            // hash of the entry before; zero for the first
	Hash    Hash            // of this entry
}

// Opens is what only a stream's first entry says.
type Opens struct {
	Rules      int   `json:"rules"`                // version of the rules the whole stream is decided under
	Key        *ID   `json:"key,omitempty"`        // the key made for this stream's personal values
	Commitment *Hash `json:"commitment,omitempty"` // SHA-256 commitment to that key
}
