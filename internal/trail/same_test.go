package trail_test

import (
	"crypto/hkdf"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"testing"

	"github.com/stretchr/testify/require"
)

// Equal values of one name under one key have one mark; any other name, value or key gives another.
func TestSame(t *testing.T) {
	t.Parallel()
	mark := func(key byte, name, value string) string {
		got, err := keyOf(t, key).Same(name, value)
		require.NoError(t, err)
		return got
	}
	one := mark(5, "vin", "EXAMPLE0000000017")
	require.Equal(t, one, mark(5, "vin", "EXAMPLE0000000017"))
	require.NotContains(t, one, "EXAMPLE")
	for _, other := range []string{
		mark(5, "vin", "EXAMPLE0000000018"), mark(5, "plate", "EXAMPLE0000000017"), mark(6, "vin", "EXAMPLE0000000017"),
		mark(5, "vin\nEXAMPLE", "0000000017"),
	} {
		require.NotEqual(t, one, other)
	}
	// HKDF (RFC 5869) for the key and HMAC (RFC 2104) for the mark, put together anew with the standard library.
	derived, err := hkdf.Key(sha256.New, keyOf(t, 5).Bytes(), nil, "readback/same/1", 32)
	require.NoError(t, err)
	h := hmac.New(sha256.New, derived)
	h.Write([]byte("vin\nEXAMPLE0000000017"))
	require.Equal(t, base64.RawURLEncoding.EncodeToString(h.Sum(nil)), one)
}
