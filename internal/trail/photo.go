package trail

import (
	"crypto/sha256"
	"fmt"
	"io"

	"readback/internal/stream"
)

const tagPhoto = "readback/photo/1\n"

// PhotoOverhead is how many bytes a sealed photo has more than the photo.
const PhotoOverhead = nonceSize + gcmSize

// photoAdditional is what a photo's ciphertext is bound to.
func photoAdditional(key, owner, photo stream.ID) []byte {
	return []byte(tagPhoto + key.String() + "\n" + owner.String() + "\n" + photo.String())
}

// SealPhoto encrypts a photo for the stream whose entry will name it, under its id: nonce and AES-256-GCM, as Seal does.
// The sum is that of what comes out. It may stand open: it says that these bytes are the ones, and nothing of the
// picture; a sum of the picture would, once the key is gone, still tell whoever has a guess whether it is right.
func (k Key) SealPhoto(random io.Reader, owner, photo stream.ID, picture []byte) (sealed []byte, sum stream.Hash, err error) {
	sealed = make([]byte, nonceSize, len(picture)+PhotoOverhead)
	if _, err := io.ReadFull(random, sealed); err != nil {
		return nil, sum, fmt.Errorf("draw a nonce: %w", err)
	}
	sealed = k.secret().aead.Seal(sealed, sealed[:nonceSize], picture, photoAdditional(k.id, owner, photo))
	return sealed, sha256.Sum256(sealed), nil
}

// OpenPhoto gives the picture back, or ErrSealed.
func (k Key) OpenPhoto(owner, photo stream.ID, sealed []byte) ([]byte, error) {
	if len(sealed) < PhotoOverhead {
		return nil, fmt.Errorf("photo %s: %w", photo, ErrSealed)
	}
	picture, err := k.secret().aead.Open(nil, sealed[:nonceSize], sealed[nonceSize:], photoAdditional(k.id, owner, photo))
	if err != nil {
		return nil, fmt.Errorf("photo %s: %w", photo, ErrSealed)
	}
	return picture, nil
}
