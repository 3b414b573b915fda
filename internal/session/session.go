// Package session says how long a sign-in goes on. A session begins with a password, hands out short access tokens, and
// goes on by exchanging its refresh token for a new one, which makes every refresh token good for one use.
//
// Invariants. A session ends once and never comes back. Of the refresh tokens of a session one may be exchanged at any
// time; one that comes again after its successor was used, or later than Again after its exchange, was copied by
// somebody, and nobody can tell who holds the copy: the session ends. A token that comes again sooner is an answer that
// got lost, or one of several requests of one page.
//
// The package is pure. Who keeps sessions (package postgres) calls Judge under a lock on the session, so that what two
// nodes are asked at once is judged one after the other.
package session

import (
	"crypto/sha256"
	"encoding/base64"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"readback/internal/stream"
)

// Again is how long after an exchange the same one may be repeated.
const Again = 30 * time.Second

// mostDevice is the longest device text kept, in characters.
const mostDevice = 120

// Reason is why a session was ended.
type Reason string

// The reasons.
const (
	SignedOut   Reason = "signed-out"
	Revoked     Reason = "revoked" // by its member from elsewhere, or by an owner
	Reused      Reason = "reused"  // a refresh token came again
	NewPassword Reason = "new-password"
	Retired     Reason = "retired"  // the register says that the member is none any more
	Disabled    Reason = "disabled" // the account
	Expired     Reason = "expired"
)

// Session is one sign-in. Times are those of the clock of whoever keeps it.
type Session struct {
	ID, Member, Org stream.ID
	CreatedAt       time.Time
	UsedAt          time.Time // last exchange, or last command over a socket
	ExpiresAt       time.Time // unless used before
	EndsAt          time.Time // however much it is used
	Origin          string    // address it was last used from
	Device          string    // what the client called itself
	Ended           Reason    // empty while nobody has ended it
}

// Person is who signed in.
func (s Session) Person() stream.Person { return stream.Person{Org: s.Org, Member: s.Member} }

// Over reports whether and why the session does not go on.
func (s Session) Over(now time.Time) (Reason, bool) {
	switch {
	case s.Ended != "":
		return s.Ended, true
	case !now.Before(s.ExpiresAt):
		return Expired, true
	}
	return "", false
}

// Use is the session after a use of it.
func (s Session) Use(now time.Time, idle time.Duration) Session {
	s.UsedAt = now
	if s.ExpiresAt = now.Add(idle); s.ExpiresAt.After(s.EndsAt) {
		s.ExpiresAt = s.EndsAt
	}
	return s
}

// Seen is where a session is used from.
type Seen struct{ Origin, Device string }

// Device is the kept form of a User-Agent header: printable text of at most 120 characters, shown as it stands.
func Device(header string) string {
	text := strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			return -1
		}
		return r
	}, strings.ToValidUTF8(header, ""))
	n := 0
	for i := range text {
		if n == mostDevice {
			return text[:i]
		}
		n++
	}
	return text
}

// Opening is a session to begin.
type Opening struct {
	ID, Member, Org stream.ID
	Seen
	Idle, AtMost time.Duration // until it runs out unused, and at the latest
	Refresh      Hash          // of its first refresh token
	PasswordHash string        // stored form of the password that was verified
}

// Exchange is one refresh token presented for another.
type Exchange struct {
	Presented, Next Hash
	Seen
	Idle time.Duration // until the session runs out unless used again
	// Page says that several requests may present the same token at once and their answers come in any order, so that a
	// repeated exchange leaves what the ones before made: the first of them to be used voids the others.
	Page bool
}

// TokenBytes is how much chance a refresh token holds.
const TokenBytes = 32

// Hash is what is kept of a refresh token: its SHA-256.
type Hash [sha256.Size]byte

// HashOf is the hash of a token's text. Only the one spelling that is handed out has it.
func HashOf(text string) Hash { return sha256.Sum256([]byte(text)) }

// Text is how a token of that much chance is written.
func Text(secret [TokenBytes]byte) string { return base64.RawURLEncoding.EncodeToString(secret[:]) }

// Token is what is known of a refresh token that somebody presents.
type Token struct {
	Exchanged time.Time // zero if never
	Void      bool
	HeirUsed  bool // one that it was exchanged for was exchanged itself
}

// Step is what a presented token leads to. The zero value is a first exchange.
type Step struct {
	Over   Reason // the session does not go on
	Repeat bool   // the exchange was done before, and is repeated
}

// Judge decides over a presented token of the session. A step that is Over with a session that has no end yet ends it.
func Judge(s Session, t Token, now time.Time) Step {
	if why, over := s.Over(now); over {
		return Step{Over: why}
	}
	switch {
	case t.Void || t.HeirUsed:
		return Step{Over: Reused}
	case t.Exchanged.IsZero():
		return Step{}
	case now.Sub(t.Exchanged) <= Again:
		return Step{Repeat: true}
	}
	return Step{Over: Reused}
}
