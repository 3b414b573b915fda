package session_test

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"readback/internal/session"
)

var at = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

func TestJudge(t *testing.T) {
	t.Parallel()
	living := session.Session{ExpiresAt: at.Add(time.Hour), EndsAt: at.Add(2 * time.Hour)}
	ended, out := living, living
	ended.Ended, out.ExpiresAt = session.Revoked, at
	earlier := func(d time.Duration) session.Token { return session.Token{Exchanged: at.Add(-d)} }
	for name, c := range map[string]struct {
		s    session.Session
		t    session.Token
		want session.Step
	}{
		"the first time":                       {living, session.Token{}, session.Step{}},
		"again at once":                        {living, earlier(0), session.Step{Repeat: true}},
		"again at the last moment":             {living, earlier(30 * time.Second), session.Step{Repeat: true}},
		"again too late":                       {living, earlier(30*time.Second + 1), session.Step{Over: session.Reused}},
		"again, but what it gave was used":     {living, session.Token{Exchanged: at, HeirUsed: true}, session.Step{Over: session.Reused}},
		"replaced before it was used":          {living, session.Token{Void: true}, session.Step{Over: session.Reused}},
		"of a session that was ended":          {ended, session.Token{}, session.Step{Over: session.Revoked}},
		"a copy, of a session that was ended":  {ended, session.Token{Void: true}, session.Step{Over: session.Revoked}},
		"of a session that ran out":            {out, session.Token{}, session.Step{Over: session.Expired}},
		"another node's clock was ahead of us": {living, earlier(-time.Second), session.Step{Repeat: true}},
	} {
		require.Equal(t, c.want, session.Judge(c.s, c.t, at), name)
	}
}

func TestUseNeverPassesTheEnd(t *testing.T) {
	t.Parallel()
	s := session.Session{CreatedAt: at, EndsAt: at.Add(20 * time.Hour)}
	for _, c := range []struct{ after, expires time.Duration }{{0, 12}, {5, 17}, {8, 20}, {19, 20}} {
		s = s.Use(at.Add(c.after*time.Hour), 12*time.Hour)
		require.Equal(t, at.Add(c.expires*time.Hour), s.ExpiresAt)
		require.Equal(t, at.Add(c.after*time.Hour), s.UsedAt)
	}
	why, over := s.Over(at.Add(20 * time.Hour))
	require.True(t, over)
	require.Equal(t, session.Expired, why)
}

func TestDevice(t *testing.T) {
	t.Parallel()
	require.Equal(t, "tablet/1 (bay 2)", session.Device("tablet/1 (bay\r\n 2)\x00"))
	require.Equal(t, "tablet1202", session.Device("tablet\u202e1202\u0085\u2066"), "read in the order in which it is written")
	require.Equal(t, "tablet", session.Device("ta\x7fb\uFFFDl\xffet"))
	require.Equal(t, strings.Repeat("ü", 120), session.Device(strings.Repeat("ü", 500)))
	rapid.Check(t, func(t *rapid.T) {
		got := session.Device(string(rapid.SliceOf(rapid.Byte()).Draw(t, "header")))
		require.True(t, utf8.ValidString(got))
		require.LessOrEqual(t, utf8.RuneCountInString(got), 120)
		require.False(t, strings.ContainsAny(got, "\r\n\x00"))
	})
}

func TestLinksLast(t *testing.T) {
	t.Parallel()
	require.Equal(t, 168*time.Hour, session.Invited.Lasts())
	require.Equal(t, time.Hour, session.Reset.Lasts())
}

// The hash is that of FIPS 180-4, example "abc" (appendix B.1 of FIPS 180-2, from memory).
func TestHash(t *testing.T) {
	t.Parallel()
	h := session.HashOf("abc")
	require.Equal(t, []byte{0xba, 0x78, 0x16, 0xbf}, h[:4])
	require.Len(t, session.Text([32]byte{}), 43, "RFC 4648, section 5, without padding: 4 characters for 3 bytes, rounded up")
}
