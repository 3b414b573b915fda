package trail

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"fmt"
	"io"
	"strconv"

	"readback/internal/stream"
)

// KeySize is the size of every secret key here, in bytes.
const KeySize = 32

const (
	tagCommitment = "readback/key/1\n"
	tagMAC        = "readback/command/1"
	tagSame       = "readback/same/1"
)

// Key is a stream's secret key: it seals the personal values of the stream and of those that belong to it, and
// authenticates their commands. It prints as its id only. The zero Key is not usable.
type Key struct {
	id     stream.ID
	secret func() *secret // behind a function even reflection, as fmt uses it on unexported fields, does not get at it
}

// secret is the key's bytes and what is derived from them once.
type secret struct {
	bytes [KeySize]byte
	aead  cipher.AEAD
	mac   []byte
}

// NewKey draws a new key from a source of randomness such as crypto/rand.Reader.
func NewKey(id stream.ID, random io.Reader) (Key, error) {
	var b [KeySize]byte
	if _, err := io.ReadFull(random, b[:]); err != nil {
		return Key{}, fmt.Errorf("draw a key: %w", err)
	}
	return KeyFrom(id, b[:])
}

// KeyFrom is the key of the given 32 bytes.
func KeyFrom(id stream.ID, b []byte) (Key, error) {
	if len(b) != KeySize {
		return Key{}, fmt.Errorf("key %s: %d bytes, want %d", id, len(b), KeySize)
	}
	s := &secret{aead: newAEAD(b)}
	copy(s.bytes[:], b)
	mac, err := hkdf.Key(sha256.New, b, nil, tagMAC, macSize)
	if err != nil {
		return Key{}, fmt.Errorf("derive from key %s: %w", id, err)
	}
	s.mac = mac
	return Key{id, func() *secret { return s }}, nil
}

// newAEAD is AES-256-GCM under a key of KeySize bytes; nothing else can go wrong.
func newAEAD(key []byte) cipher.AEAD {
	block, err := aes.NewCipher(key)
	if err != nil {
		panic(err)
	}
	aead, err := cipher.NewGCM(block)
	if err != nil {
		panic(err)
	}
	return aead
}

// ID names the key.
func (k Key) ID() stream.ID { return k.id }

// Bytes are the secret itself, for the one place that gives it away: the bundle.
func (k Key) Bytes() []byte { return append([]byte(nil), k.secret().bytes[:]...) }

// Commitment binds the first entry of a stream to its key without giving the key away:
// SHA-256 over a tag, the id as text and the key.
func (k Key) Commitment() stream.Hash {
	h := sha256.New()
	h.Write([]byte(tagCommitment + k.id.String()))
	h.Write(k.secret().bytes[:])
	var sum stream.Hash
	h.Sum(sum[:0])
	return sum
}

// MAC authenticates a command as its sender wrote it, with who sent it, so that a resend can be told from another
// command under the same id. The command is plain: neither admitted nor sealed.
func (k Key) MAC(actor stream.Actor, cmd stream.Command) ([]byte, error) {
	b := make([]byte, 0, 256+len(cmd.Data))
	b = append(b, `{"base":`...)
	b = strconv.AppendUint(b, cmd.Base, 10)
	b = append(b, `,"data":`...)
	b, err := appendCanonical(b, cmd.Data)
	if err != nil {
		return nil, inside("data", err)
	}
	b = append(b, `,"id":`...)
	b = appendID(b, cmd.ID)
	b = append(b, `,"member":`...)
	b = appendID(b, actor.Member)
	b = append(b, `,"org":`...)
	b = appendID(b, actor.Org)
	b = append(b, `,"type":`...)
	b = appendString(b, cmd.Type)
	b = append(b, '}')
	h := hmac.New(sha256.New, k.secret().mac)
	h.Write(b)
	return h.Sum(nil), nil
}

// Same is a mark by which two sealed values of one name can be told to be equal without opening them: HMAC-SHA256 under a
// key derived from this one for nothing else, in base64url. Without the key it says nothing of the value, and values of
// two keys cannot be compared.
func (k Key) Same(name, value string) (string, error) {
	derived, err := hkdf.Key(sha256.New, k.secret().bytes[:], nil, tagSame, macSize)
	if err != nil {
		return "", fmt.Errorf("derive from %s: %w", k, err)
	}
	h := hmac.New(sha256.New, derived)
	h.Write([]byte(name + "\n" + value))
	return base64url.EncodeToString(h.Sum(nil)), nil
}

// MarkSuffix ends the name under which data carries the mark of a sealed value beside it: vin_mark is that of vin.
const MarkSuffix = "_mark"

// SameMAC compares two MACs in constant time.
func SameMAC(a, b []byte) bool { return subtle.ConstantTimeCompare(a, b) == 1 }

const redacted = "redacted"

// String shows the id and never the secret; so do the other ways to print.
func (k Key) String() string { return "key " + k.id.String() + " (" + redacted + ")" }

// GoString is String.
func (k Key) GoString() string { return k.String() }

// Format is String, whatever the verb.
func (k Key) Format(f fmt.State, _ rune) { io.WriteString(f, k.String()) }

// MarshalJSON is String.
func (k Key) MarshalJSON() ([]byte, error) { return json.Marshal(k.String()) }
