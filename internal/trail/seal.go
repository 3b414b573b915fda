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
	b = append(b, key.String()...)
	b = append(b, '\n')
	b = append(b, owner.String()...)
	b = append(b, '\n')
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

// AsSealed reads a JSON value that is a sealed value: an object whose only key is "sealed".
func AsSealed(raw []byte) (stream.Sealed, bool) {
	if !bytes.Contains(raw, []byte(`"sealed"`)) {
		return stream.Sealed{}, false
	}
	var s stream.Sealed
	d := json.NewDecoder(bytes.NewReader(raw))
	d.DisallowUnknownFields()
	if d.Decode(&s) != nil || s.Sealed.K == (stream.ID{}) || s.Sealed.V == "" {
		return stream.Sealed{}, false
	}
	return s, true
}

// EachSealed replaces every sealed value inside a JSON value, at any depth, by what f makes of it, and gives the
// result in canonical form. f gets the path from the top of raw, steps joined by "/" and list elements numbered from 0.
func EachSealed(raw []byte, f func(path string, s stream.Sealed) (any, error)) (json.RawMessage, error) {
	raw, err := Canonical(raw)
	if err != nil || !bytes.Contains(raw, []byte(`"sealed"`)) {
		return raw, err
	}
	out, err := eachSealed(raw, "", f)
	if err != nil {
		return nil, err
	}
	return Canonical(out)
}

func eachSealed(raw []byte, path string, f func(string, stream.Sealed) (any, error)) (json.RawMessage, error) {
	step := func(name string) string {
		if path == "" {
			return name
		}
		return path + "/" + name
	}
	if s, ok := AsSealed(raw); ok {
		v, err := f(path, s)
		if err != nil {
			return nil, err
		}
		return json.Marshal(v)
	}
	switch raw[0] {
	case '{':
		var members map[string]json.RawMessage
		if err := json.Unmarshal(raw, &members); err != nil {
			return nil, fmt.Errorf("walk to sealed values: %w", err)
		}
		for name, v := range members {
			got, err := eachSealed(v, step(name), f)
			if err != nil {
				return nil, err
			}
			members[name] = got
		}
		return json.Marshal(members)
	case '[':
		var items []json.RawMessage
		if err := json.Unmarshal(raw, &items); err != nil {
			return nil, fmt.Errorf("walk to sealed values: %w", err)
		}
		for i, v := range items {
			got, err := eachSealed(v, step(strconv.Itoa(i)), f)
			if err != nil {
				return nil, err
			}
			items[i] = got
		}
		return json.Marshal(items)
	}
	return raw, nil
}

// Reseal carries a fact's value over to another stream: open reads each sealed value with the key of the stream it
// comes from, seal closes it again for its place in the entry that will hold it. Both get the path inside the value.
// A register gives a sealed value under the key it had in the command's data, so that path is also the one it was
// sealed with there.
func Reseal(value json.RawMessage, open func(path string, s stream.Sealed) (string, error), seal func(path, plain string) (stream.Sealed, error)) (json.RawMessage, error) {
	return EachSealed(value, func(path string, s stream.Sealed) (any, error) {
		plain, err := open(path, s)
		if err != nil {
			return nil, err
		}
		return seal(path, plain)
	})
}
