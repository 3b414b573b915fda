package trail

import (
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"readback/internal/stream"
)

const tagWrapped = "readback/wrapped/1\n"

// WrappedKey is a Key as the database may hold it: Box is a nonce and the key encrypted under the wrapping key, which
// is never in the database. Deleting every copy of it erases what the key sealed.
type WrappedKey struct {
	ID  stream.ID
	Box []byte
}

// ErrWrapped is what unwrapping says when the wrapping key is another one or the box was changed.
var ErrWrapped = errors.New("the key was wrapped by another wrapping key, or changed since")

// WrappingKey wraps and unwraps Keys. It never prints. The zero value is not usable.
type WrappingKey struct {
	aead  func() cipher.AEAD
	clues func() []byte // the key of clues
}

// WrappingKeyFrom is the wrapping key of the given 32 bytes.
func WrappingKeyFrom(b []byte) (WrappingKey, error) {
	if len(b) != KeySize {
		return WrappingKey{}, fmt.Errorf("wrapping key: %d bytes, want %d", len(b), KeySize)
	}
	aead := newAEAD(b)
	clues, err := hkdf.Key(sha256.New, b, nil, tagClue, sha256.Size)
	if err != nil {
		return WrappingKey{}, fmt.Errorf("derive from the wrapping key: %w", err)
	}
	return WrappingKey{func() cipher.AEAD { return aead }, func() []byte { return clues }}, nil
}

// Wrap encrypts a key for the database.
func (w WrappingKey) Wrap(random io.Reader, k Key) (WrappedKey, error) {
	b := make([]byte, nonceSize, nonceSize+KeySize+gcmSize)
	if _, err := io.ReadFull(random, b); err != nil {
		return WrappedKey{}, fmt.Errorf("draw a nonce: %w", err)
	}
	b = w.aead().Seal(b, b[:nonceSize], k.secret().bytes[:], []byte(tagWrapped+k.id.String()))
	return WrappedKey{ID: k.id, Box: b}, nil
}

// Unwrap gives the key back, or ErrWrapped.
func (w WrappingKey) Unwrap(k WrappedKey) (Key, error) {
	if len(k.Box) != nonceSize+KeySize+gcmSize {
		return Key{}, fmt.Errorf("key %s: a box of %d bytes: %w", k.ID, len(k.Box), ErrWrapped)
	}
	b, err := w.aead().Open(nil, k.Box[:nonceSize], k.Box[nonceSize:], []byte(tagWrapped+k.ID.String()))
	if err != nil {
		return Key{}, fmt.Errorf("key %s: %w", k.ID, ErrWrapped)
	}
	return KeyFrom(k.ID, b)
}

// String never shows the key; neither does any other way to print it.
func (WrappingKey) String() string { return "wrapping key (" + redacted + ")" }

// GoString is String.
func (w WrappingKey) GoString() string { return w.String() }

// Format is String, whatever the verb.
func (w WrappingKey) Format(f fmt.State, _ rune) { io.WriteString(f, w.String()) }

// MarshalJSON is String.
func (w WrappingKey) MarshalJSON() ([]byte, error) { return []byte(`"` + w.String() + `"`), nil }
