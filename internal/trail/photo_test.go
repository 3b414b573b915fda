package trail_test

import (
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"crypto/rand"
	"crypto/sha256"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/stream"
	"readback/internal/trail"
)

// TestSealPhoto opens with the standard library what SealPhoto sealed, by what docs/trail.md says, and asks for the sum.
func TestSealPhoto(t *testing.T) {
	t.Parallel()
	key, err := trail.NewKey(stream.NewID(), rand.Reader)
	require.NoError(t, err)
	owner, photo := stream.NewID(), stream.NewID()
	picture := bytes.Repeat([]byte("pixels"), 100)
	sealed, sum, err := key.SealPhoto(rand.Reader, owner, photo, picture)
	require.NoError(t, err)
	require.Equal(t, stream.Hash(sha256.Sum256(sealed)), sum)
	require.Len(t, sealed, len(picture)+trail.PhotoOverhead)

	block, err := aes.NewCipher(key.Bytes())
	require.NoError(t, err)
	gcm, err := cipher.NewGCM(block)
	require.NoError(t, err)
	bound := "readback/photo/1\n" + key.ID().String() + "\n" + owner.String() + "\n" + photo.String()
	plain, err := gcm.Open(nil, sealed[:12], sealed[12:], []byte(bound))
	require.NoError(t, err)
	require.Equal(t, picture, plain)

	got, err := key.OpenPhoto(owner, photo, sealed)
	require.NoError(t, err)
	require.Equal(t, picture, got)
	again, other, err := key.SealPhoto(rand.Reader, owner, photo, picture)
	require.NoError(t, err)
	require.NotEqual(t, sealed, again)
	require.NotEqual(t, sum, other, "the sum says nothing of the picture")
}

// A sealed photo opens in its place only.
func TestPhotoOpensInItsPlace(t *testing.T) {
	t.Parallel()
	key, err := trail.NewKey(stream.NewID(), rand.Reader)
	require.NoError(t, err)
	another, err := trail.NewKey(key.ID(), rand.Reader)
	require.NoError(t, err)
	renamed, err := trail.KeyFrom(stream.NewID(), key.Bytes())
	require.NoError(t, err)
	owner, photo := stream.NewID(), stream.NewID()
	sealed, _, err := key.SealPhoto(rand.Reader, owner, photo, []byte("pixels"))
	require.NoError(t, err)
	changed := bytes.Clone(sealed)
	changed[20] ^= 1
	for name, open := range map[string]func() ([]byte, error){
		"another key":           func() ([]byte, error) { return another.OpenPhoto(owner, photo, sealed) },
		"another id of the key": func() ([]byte, error) { return renamed.OpenPhoto(owner, photo, sealed) },
		"another stream":        func() ([]byte, error) { return key.OpenPhoto(stream.NewID(), photo, sealed) },
		"another photo":         func() ([]byte, error) { return key.OpenPhoto(owner, stream.NewID(), sealed) },
		"changed":               func() ([]byte, error) { return key.OpenPhoto(owner, photo, changed) },
		"cut short":             func() ([]byte, error) { return key.OpenPhoto(owner, photo, sealed[:27]) },
	} {
		_, err := open()
		require.ErrorIs(t, err, trail.ErrSealed, name)
	}
	require.NotPanics(t, func() { _, _, err = key.SealPhoto(bytes.NewReader(nil), owner, photo, nil) })
	require.Error(t, err, "no randomness, no photo")
}
