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
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"golang.org/x/mod/sumdb/note"

	"readback/internal/trail"
)

const (
	origin     = "readback key file 1"
	day        = "2006-01-02"
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
	sign   []ed25519.PrivateKey
}

// tokenKey signs access tokens.
type tokenKey struct {
	made string // the day, for whoever decides when it may go
	seed []byte
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
	return k.WithToken(random, now)
}

// WithToken is k with a new token key that signs from now on; those before stay good for checking. The oldest goes
// when there are more than 16.
func (k *Keys) WithToken(random io.Reader, now time.Time) (*Keys, error) {
	t := tokenKey{now.UTC().Format(day), make([]byte, ed25519.SeedSize)}
	if _, err := io.ReadFull(random, t.seed); err != nil {
		return nil, fmt.Errorf("draw a token key: %w", err)
	}
	next := &Keys{wrapping: k.wrapping, signing: k.signing, tokens: append([]tokenKey{t}, k.tokens...)}
	next.tokens = next.tokens[:min(len(next.tokens), maxTokens)]
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
	k.sign = nil
	for _, t := range k.tokens {
		k.sign = append(k.sign, ed25519.NewKeyFromSeed(t.seed))
	}
	return nil
}

// Wrapping wraps the keys of streams for the database.
func (k *Keys) Wrapping() trail.WrappingKey { return k.wrap }

// Signer signs heads.
func (k *Keys) Signer() trail.Signer { return k.signer }

// VerifierKey is the public key by which others check what Signer signed. It is meant to be handed out.
func (k *Keys) VerifierKey() string { return k.signer.Key }

// Tokens are the keys of access tokens, newest first: the first signs, all check.
func (k *Keys) Tokens() []ed25519.PrivateKey { return append([]ed25519.PrivateKey(nil), k.sign...) }

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
		b.WriteString("token " + t.made + " " + base64.StdEncoding.EncodeToString(t.seed) + "\n")
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
			if _, err := time.Parse(day, words[1]); err != nil || !ok {
				return nil, bad("want a token key: the day it was made, and 32 bytes in base64")
			}
			if len(k.tokens) == maxTokens {
				return nil, bad(fmt.Sprintf("at most %d token keys", maxTokens))
			}
			k.tokens = append(k.tokens, tokenKey{words[1], b})
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
