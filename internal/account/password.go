package account

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"readback/internal/fault"
)

// Cost of a password hash: the second recommended choice of RFC 9106, section 4 (64 MiB, three passes, four lanes).
const (
	memoryKiB = 64 * 1024
	passes    = 3
	lanes     = 4
	saltBytes = 16
	hashBytes = 32
)

// CheckPassword refuses a password too short to protect anything. Length is what counts (NIST SP 800-63B, 5.1.1.2, from
// memory): no rules about kinds of characters.
func CheckPassword(field, password string) error {
	if n := utf8.RuneCountInString(password); n < 12 || len(password) > 256 || !utf8.ValidString(password) {
		return fault.Badly(field, "a password of 12 characters or more, at most 256 bytes")
	}
	return nil
}

// Hash makes the stored form of a password: argon2id in the PHC string format.
func Hash(password string) string {
	salt := make([]byte, saltBytes)
	rand.Read(salt) // never fails
	return stored(salt, argon2.IDKey([]byte(password), salt, passes, memoryKiB, lanes, hashBytes))
}

// decoy is a hash that no password is known to make, at the cost of a real one when it is verified and at none before.
func decoy() string {
	salt, sum := make([]byte, saltBytes), make([]byte, hashBytes)
	rand.Read(salt)
	rand.Read(sum)
	return stored(salt, sum)
}

func stored(salt, sum []byte) string {
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes,
		b64.EncodeToString(salt), b64.EncodeToString(sum))
}

// verify reports whether the password makes the stored hash. The cost is read from the hash, within bounds, so that a
// later raise of the constants leaves old passwords usable.
func verify(stored, password string) (bool, error) {
	part := strings.Split(stored, "$")
	if len(part) != 6 || part[1] != "argon2id" || part[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return false, fmt.Errorf("stored password hash of unknown form")
	}
	var m, t uint32
	var p uint8
	if _, err := fmt.Sscanf(part[3], "m=%d,t=%d,p=%d", &m, &t, &p); err != nil || m > 1<<20 || t > 16 || p == 0 || t == 0 {
		return false, fmt.Errorf("stored password hash with cost %q", part[3])
	}
	salt, err1 := base64.RawStdEncoding.DecodeString(part[4])
	want, err2 := base64.RawStdEncoding.DecodeString(part[5])
	if err1 != nil || err2 != nil || len(want) < 16 {
		return false, fmt.Errorf("stored password hash not readable")
	}
	got := argon2.IDKey([]byte(password), salt, t, m, p, uint32(len(want)))
	return subtle.ConstantTimeCompare(got, want) == 1, nil
}
