package trail

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"

	"readback/internal/stream"
)

const (
	tagSealed = "readback/sealed/1\n"
	nonceSize = 12
	gcmSize   = 16 // of GCM's authentication tag
)

// ErrSealed is what opening a sealed value says when the key, the stream or the path is not the one it was sealed
// with, or when it was changed.
var ErrSealed = errors.New("a sealed value does not open here")

// additional is what the ciphertext is bound to. Only the path may hold a line end, and it comes last.
func additional(key, owner stream.ID, path string) []byte {
	b := make([]byte, 0, len(tagSealed)+2*37+len(path))
	b = append(b, tagSealed...)
	b = append(stream.AppendID(b, key), '\n')
	b = append(stream.AppendID(b, owner), '\n')
	return append(b, path...)
}

// Seal encrypts a personal value for one place: the stream whose entry holds it and the path in that entry. The path
// is the key's name in a command's data ("vin"), and FactPath for a value among the facts; steps are joined by "/".
// The nonce is drawn from random, such as crypto/rand.Reader.
func (k Key) Seal(random io.Reader, owner stream.ID, path, value string) (stream.Sealed, error) {
	b := make([]byte, nonceSize, nonceSize+len(value)+gcmSize)
	if _, err := io.ReadFull(random, b); err != nil {
		return stream.Sealed{}, fmt.Errorf("draw a nonce: %w", err)
	}
	b = k.secret().aead.Seal(b, b[:nonceSize], []byte(value), additional(k.id, owner, path))
	return stream.Sealed{Sealed: stream.SealedValue{K: k.id, V: base64url.EncodeToString(b)}}, nil
}

// Open gives the value back, or ErrSealed.
func (k Key) Open(owner stream.ID, path string, s stream.Sealed) (string, error) {
	if s.Sealed.K != k.id {
		return "", fmt.Errorf("%s, sealed under key %s, with %s: %w", path, s.Sealed.K, k, ErrSealed)
	}
	b, err := base64url.DecodeString(s.Sealed.V)
	if err != nil || len(b) < nonceSize+gcmSize || base64url.EncodeToString(b) != s.Sealed.V {
		return "", fmt.Errorf("%s: %w", path, ErrSealed)
	}
	value, err := k.secret().aead.Open(nil, b[:nonceSize], b[nonceSize:], additional(k.id, owner, path))
	if err != nil {
		return "", fmt.Errorf("%s: %w", path, ErrSealed)
	}
	return string(value), nil
}

// FactPath is the path of a value among the facts of an entry.
func FactPath(fact, path string) string { return fact + "/" + path }

// sealed passes a canonical sealed value, or stays where it is.
func (s *scanner) sealed() (v stream.Sealed, ok bool) {
	from := s.pos
	if s.has(`{"sealed":{"k":`) && s.id(&v.Sealed.K) && s.has(`,"v":`) && s.free(&v.Sealed.V) && s.has("}}") {
		return v, true
	}
	s.pos = from
	return stream.Sealed{}, false
}

// EachSealed replaces every sealed value inside a JSON value, at any depth, by what f makes of it, and gives the
// result in canonical form. f gets the path from the top of raw, steps joined by "/" and list elements numbered from 0.
//
// A fact brings the personal values of another stream along. They are opened with that stream's key, at the path they
// have in the fact's value (a stream gives a sealed value under the key it had in the command's data), and sealed again
// at FactPath with the key of the stream that stores the fact.
func EachSealed(raw []byte, f func(path string, s stream.Sealed) (any, error)) (json.RawMessage, error) {
	raw, err := Canonical(raw)
	if err != nil || !bytes.Contains(raw, []byte(`"sealed"`)) {
		return raw, err
	}
	w := sealedWalk{scanner: scanner{src: raw}, out: make([]byte, 0, len(raw)), f: f}
	if err := w.value(""); err != nil {
		return nil, err
	}
	return w.out, nil
}

// sealedWalk copies a canonical value from src to out with the sealed values replaced.
type sealedWalk struct {
	scanner
	out []byte
	f   func(path string, s stream.Sealed) (any, error)
}

func (w *sealedWalk) value(path string) error {
	from := w.pos
	if s, ok := w.sealed(); ok {
		v, err := w.f(path, s)
		if err != nil {
			return err
		}
		if same, ok := v.(stream.Sealed); ok && same == s { // left as it is
			w.out = append(w.out, w.src[from:w.pos]...)
			return nil
		}
		raw, err := json.Marshal(v)
		if err != nil {
			return fmt.Errorf("replace the sealed value at %s: %w", path, err)
		}
		w.out, err = appendCanonical(w.out, raw)
		return err
	}
	open := w.peek()
	if open != '{' && open != '[' {
		w.scanner.value(0) // canonical: it cannot fail
		w.out = append(w.out, w.src[from:w.pos]...)
		return nil
	}
	w.copy(1)
	if path != "" {
		path += "/"
	}
	for i := 0; w.peek() != open+2; i++ { // in ASCII the closing bracket comes two after the opening one
		if i > 0 {
			w.copy(1)
		}
		step := strconv.Itoa(i)
		if open == '{' {
			from := w.pos
			w.free(&step)
			w.out = append(w.out, w.src[from:w.pos]...)
			w.copy(1)
		}
		if err := w.value(path + step); err != nil {
			return err
		}
	}
	w.copy(1)
	return nil
}

// copy passes n bytes on.
func (w *sealedWalk) copy(n int) {
	w.out = append(w.out, w.src[w.pos:w.pos+n]...)
	w.pos += n
}
