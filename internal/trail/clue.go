package trail

import (
	"crypto/hmac"
	"crypto/sha256"
)

const tagClue = "readback/clue/1"

// ClueSize is the size of a Clue, in bytes.
const ClueSize = 16

// Clue is what a sealed value is found by: HMAC-SHA256 of it, cut to 128 bits, under a key derived from the wrapping key for
// nothing else. Equal values have equal clues, in whatever stream they are sealed. Without the key file it says nothing of the
// value; with the key file and a guess it says whether the guess is right. So it is kept beside the trail, never in it, and goes
// with the key that the value is sealed by.
type Clue [ClueSize]byte

// Clue gives the clue of a value, which begins with its name so that values of two names are not taken for each other.
func (w WrappingKey) Clue(value string) Clue {
	h := hmac.New(sha256.New, w.clues())
	h.Write([]byte(value))
	return Clue(h.Sum(nil)[:ClueSize])
}
