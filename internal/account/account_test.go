package account

import (
	"context"
	"net/netip"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"readback/internal/fault"
	"readback/internal/stream"
)

type accounts map[string]Account

func (m accounts) AccountByLogin(_ context.Context, login string) (Account, error) {
	a, ok := m[login]
	if !ok {
		return Account{}, ErrUnknown
	}
	return a, nil
}

var home = netip.MustParseAddr("192.0.2.1") // RFC 5737: addresses for documentation

func TestSignIn(t *testing.T) {
	t.Parallel()
	who := Account{Member: stream.NewID(), Org: stream.NewID(), Login: "tess@north.example", Hash: Hash("correct horse battery")}
	d := NewDesk(accounts{who.Login: who})

	got, err := d.SignIn(t.Context(), home, "  Tess@North.example ", "correct horse battery")
	require.NoError(t, err)
	require.Equal(t, who, got)

	var said []string
	for _, c := range [][2]string{
		{who.Login, "correct horse batterz"}, {"nobody@north.example", "correct horse battery"}, {"", "x"},
		{who.Login, strings.Repeat("x", 300)}, {"no one signs", "no one signs in with this"},
	} {
		_, err := d.SignIn(t.Context(), home, c[0], c[1])
		require.True(t, fault.Is(err, fault.SignInFailed), "%q", c[0])
		said = append(said, err.Error())
	}
	for _, s := range said {
		require.Equal(t, said[0], s, "the answer must not tell a wrong name from a wrong password")
	}
}

func TestHash(t *testing.T) {
	t.Parallel()
	h := Hash("correct horse battery")
	require.Regexp(t, `^\$argon2id\$v=19\$m=65536,t=3,p=4\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$`, h)
	require.NotEqual(t, h, Hash("correct horse battery"), "salted")
	// The reference implementation's test vector for argon2id, version 0x13, m = 256 KiB, t = 2, p = 1, "password" with
	// "somesalt" (test.c of github.com/P-H-C/phc-winner-argon2; value from memory): a stored hash of lower cost stays readable.
	old := "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"
	ok, err := verify(old, "password")
	require.NoError(t, err)
	require.True(t, ok)
	for _, bad := range []string{"", "$argon2i$v=19$m=1,t=1,p=1$AA$AA", "$argon2id$v=19$m=99999999,t=1,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"} {
		_, err := verify(bad, "password")
		require.Error(t, err)
	}
}

func TestADecoyCostsWhatAHashCosts(t *testing.T) {
	t.Parallel()
	d, real := decoy(), Hash("correct horse battery")
	require.Len(t, d, len(real))
	require.Equal(t, strings.Split(real, "$")[:4], strings.Split(d, "$")[:4])
	ok, err := verify(d, "correct horse battery")
	require.NoError(t, err)
	require.False(t, ok)
	require.NotEqual(t, d, decoy())
}

func TestCheckPassword(t *testing.T) {
	t.Parallel()
	require.NoError(t, CheckPassword("password", "twelve chars"))
	require.Error(t, CheckPassword("password", "eleven char"))
	require.Error(t, CheckPassword("password", strings.Repeat("x", 257)))
}
