package dispatch

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestIsLanguage(t *testing.T) {
	t.Parallel()
	// 183 is how many codes ISO 639-1 has: the count that its registration authority states, from memory.
	require.Len(t, strings.Fields(known), 183)
	for _, l := range strings.Fields("de en fr es cs pl tr uk zu gsw hsb") {
		require.True(t, IsLanguage([]string{l}, 0), l)
	}
	// Countries and slips; iw is deprecated for he (RFC 5646, section 2.2.1 has the rule, the registry the pair).
	for _, l := range strings.Fields("xx uk1 gb us jp cz dk iw d deut DE de-AT") {
		require.False(t, IsLanguage([]string{l}, 0), l)
	}
	require.False(t, IsLanguage([]string{""}, 0))
	require.False(t, IsLanguage([]string{"de", "de"}, 1))
}
