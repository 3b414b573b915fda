// Package keyfile keeps the secrets that must never be in the database: the wrapping key of the jobs' and registers'
// keys, the Ed25519 key that signs heads, and the Ed25519 keys that sign access tokens. They stand in one text file of
// our own format, readable by the account of the server alone.
//
// Losing the file loses every sealed value (their keys no longer unwrap); copying it gives them all away. It is kept
// apart from backups of the database, or erasing a key would erase nothing.
//
// A Keys is immutable and may be used from many goroutines; it never prints.
package keyfile

import (
	"bytes"
	"crypto/ed25519"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/trail"
)

const (
	origin     = "readback key file 1"
	moment     = "2006-01-02T15:04:05Z" // of UTC
	maxTokens  = 16
	defaultSig = "readback."
)

// Keys are the secrets of an installation. The nodes of a cluster share one set.
type Keys struct {
	wrapping []byte
	signing  string // as golang.org/x/mod/sumdb/note spells signer keys
	tokens   []tokenKey

	// What the above come to.
	wrap   trail.WrappingKey
	signer trail.Signer
}

// tokenKey signs access tokens.
type tokenKey struct {
	from time.Time // signs from then on, until a later one does; whole seconds, UTC
	seed []byte
}

// TokenKey signs access tokens from an instant on, until a later one does. It checks them before and after.
type TokenKey struct {
	Key  ed25519.PrivateKey
	From time.Time
}

// New draws a set of keys. name is who signs, as verifiers will see it; without one it is readback. and eight random
// digits.
func New(name string, random io.Reader, now time.Time) (*Keys, error) {
	if name == "" {
		var b [4]byte
		if _, err := io.ReadFull(random, b[:]); err != nil {
			return nil, fmt.Errorf("draw keys: %w", err)
		}
		name = fmt.Sprintf("%s%x", defaultSig, b)
	}
	if strings.ContainsRune(name, '+') || strings.IndexFunc(name, unicode.IsSpace) >= 0 || len(name) > 100 {
		return nil, fmt.Errorf("signer name %q: want up to 100 characters without spaces and plus signs", name)
	}
	k := &Keys{wrapping: make([]byte, trail.KeySize)}
	if _, err := io.ReadFull(random, k.wrapping); err != nil {
		return nil, fmt.Errorf("draw keys: %w", err)
	}
	signing, _, err := note.GenerateKey(random, name)
	if err != nil {
		return nil, fmt.Errorf("draw keys: %w", err)
	}
	k.signing = signing
	return k.WithToken(random, now, now)
}

// ErrTooManyTokens is what a rotation says that would have to drop a key that is still needed.
var ErrTooManyTokens = fmt.Errorf("there are %d token keys already, and tokens of each may still be good", maxTokens)

// ErrAhead is what a rotation says by whose clock no key has begun to sign yet: it cannot tell which one is needed.
var ErrAhead = errors.New("by the clock of this machine none of its token keys has begun to sign")

// longestToken bounds how long a key is needed after the next one signs: an access token is good for an hour at most,
// and a server that could not read the newer file may have gone on signing for one more.
const longestToken = 2 * time.Hour

// WithToken is k with a new token key that signs from an instant on; those before stay good for checking. Of these go the
// keys that cannot have signed a token that is still good, and those that would have begun to sign only after the new
// one does. The wrapping key and the key that signs heads are k's.
func (k *Keys) WithToken(random io.Reader, now, from time.Time) (*Keys, error) {
	t := tokenKey{from.UTC().Truncate(time.Second), make([]byte, ed25519.SeedSize)}
	if _, err := io.ReadFull(random, t.seed); err != nil {
		return nil, fmt.Errorf("draw a token key: %w", err)
	}
	if len(k.tokens) > 0 && k.tokens[len(k.tokens)-1].from.After(now) {
		return nil, ErrAhead
	}
	next := &Keys{wrapping: k.wrapping, signing: k.signing, tokens: []tokenKey{t}}
	for _, old := range k.tokens { // latest first
		until := next.tokens[len(next.tokens)-1].from
		if old.from.After(t.from) {
			continue
		}
		if until.Add(longestToken).Before(now) {
			break
		}
		next.tokens = append(next.tokens, old)
	}
	if len(next.tokens) > maxTokens {
		return nil, ErrTooManyTokens
	}
	if err := next.settle(); err != nil {
		return nil, err
	}
	return next, nil
}

// settle works out the usable keys.
func (k *Keys) settle() error {
	var err error
	if k.wrap, err = trail.WrappingKeyFrom(k.wrapping); err != nil {
		return err
	}
	s, err := note.NewSigner(k.signing)
	if err != nil {
		return fmt.Errorf("signing key: %w", err)
	}
	// PRIVATE+KEY+name+hash+base64: the seed comes after a byte for the algorithm. Base64 may hold a plus itself.
	raw, err := base64.StdEncoding.DecodeString(strings.SplitN(k.signing, "+", 5)[4])
	if err != nil || len(raw) != 1+ed25519.SeedSize {
		return errors.New("signing key: want one of Ed25519")
	}
	vkey, err := note.NewEd25519VerifierKey(s.Name(), ed25519.NewKeyFromSeed(raw[1:]).Public().(ed25519.PublicKey))
	if err != nil {
		return fmt.Errorf("signing key: %w", err)
	}
	k.signer = trail.Signer{Signer: s, Key: vkey}
	slices.SortStableFunc(k.tokens, func(a, b tokenKey) int { return b.from.Compare(a.from) })
	return nil
}

// Wrapping wraps the keys of streams for the database.
func (k *Keys) Wrapping() trail.WrappingKey { return k.wrap }

// Signer signs heads.
func (k *Keys) Signer() trail.Signer { return k.signer }

// VerifierKey is the public key by which others check what Signer signed. It is meant to be handed out.
func (k *Keys) VerifierKey() string { return k.signer.Key }

// Tokens are the keys of access tokens. The one that signs last is first.
func (k *Keys) Tokens() []TokenKey {
	all := make([]TokenKey, len(k.tokens))
	for i, t := range k.tokens {
		all[i] = TokenKey{ed25519.NewKeyFromSeed(t.seed), t.from}
	}
	return all
}

// SameBut reports whether k and other differ in their token keys at most.
func (k *Keys) SameBut(other *Keys) bool {
	return subtle.ConstantTimeCompare(k.wrapping, other.wrapping) == 1 && subtle.ConstantTimeCompare([]byte(k.signing), []byte(other.signing)) == 1
}

// String never shows a key.
func (k *Keys) String() string { return "keys of " + k.signer.Name() + " (redacted)" }

// GoString is String.
func (k *Keys) GoString() string { return k.String() }

// Format is String, whatever the verb.
func (k *Keys) Format(f fmt.State, _ rune) { io.WriteString(f, k.String()) }

// MarshalJSON is String.
func (k *Keys) MarshalJSON() ([]byte, error) { return json.Marshal(k.String()) }

// text writes the file.
func (k *Keys) text() []byte {
	var b bytes.Buffer
	b.WriteString(origin + "\n")
	b.WriteString("# Secret. Keep a copy apart from the database's backups; see docs/trail.md.\n")
	b.WriteString("wrapping " + base64.StdEncoding.EncodeToString(k.wrapping) + "\n")
	b.WriteString("signing " + k.signing + "\n")
	for _, t := range k.tokens {
		b.WriteString("token " + t.from.Format(moment) + " " + base64.StdEncoding.EncodeToString(t.seed) + "\n")
	}
	return b.Bytes()
}

// parse reads the file. Its errors name the line and never quote it.
func parse(text []byte) (*Keys, error) {
	first, rest, _ := strings.Cut(string(text), "\n")
	switch {
	case first == origin:
	case strings.HasPrefix(first, strings.TrimSuffix(origin, "1")):
		return nil, fmt.Errorf("its first line is of another version of the format; this program reads %q", origin)
	default:
		return nil, fmt.Errorf("its first line is not %q: this is no key file", origin)
	}
	if !strings.HasSuffix(rest, "\n") {
		return nil, errors.New("it ends in the middle of a line")
	}
	k := &Keys{}
	for i, line := range strings.Split(strings.TrimSuffix(rest, "\n"), "\n") {
		bad := func(what string) error { return fmt.Errorf("line %d: %s", i+2, what) }
		words := strings.Split(line, " ")
		secret := func(s string) ([]byte, bool) {
			b, err := base64.StdEncoding.Strict().DecodeString(s)
			return b, err == nil && len(b) == trail.KeySize
		}
		switch {
		case line == "" || strings.HasPrefix(line, "#"):
		case words[0] == "wrapping" && len(words) == 2:
			b, ok := secret(words[1])
			if !ok || k.wrapping != nil {
				return nil, bad("want one wrapping key of 32 bytes in base64")
			}
			k.wrapping = b
		case words[0] == "signing" && len(words) == 2:
			if _, err := note.NewSigner(words[1]); err != nil || k.signing != "" {
				return nil, bad("want one signer key, PRIVATE+KEY+name+hash+base64")
			}
			k.signing = words[1]
		case words[0] == "token" && len(words) == 3:
			b, ok := secret(words[2])
			from, err := time.Parse(moment, words[1])
			if err != nil || !ok {
				return nil, bad("want a token key: when it begins to sign, such as 2026-11-25T10:05:00Z, and 32 bytes in base64")
			}
			if len(k.tokens) == maxTokens {
				return nil, bad(fmt.Sprintf("at most %d token keys", maxTokens))
			}
			k.tokens = append(k.tokens, tokenKey{from, b})
		default:
			return nil, bad("want wrapping, signing or token with its key")
		}
	}
	for _, missing := range []struct {
		name string
		is   bool
	}{{"wrapping", k.wrapping == nil}, {"signing", k.signing == ""}, {"token", len(k.tokens) == 0}} {
		if missing.is {
			return nil, fmt.Errorf("the line with the %s key is missing", missing.name)
		}
	}
	if err := k.settle(); err != nil {
		return nil, err
	}
	return k, nil
}
