package keyfile

import (
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"readback/internal/stream"
	"readback/internal/trail"
)

var now = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

func keys(t testing.TB) *Keys {
	k, err := New("", rand.Reader, now)
	require.NoError(t, err)
	return k
}

// secrets are the ways in which k's keys could show in text.
func secrets(k *Keys) []string {
	var out []string
	for _, b := range [][]byte{k.wrapping, k.tokens[0].seed} {
		out = append(out, base64.StdEncoding.EncodeToString(b), fmt.Sprintf("%x", b), strings.Trim(fmt.Sprint(b), "[]"))
	}
	return append(out, strings.SplitN(k.signing, "+", 5)[4])
}

func TestCreateOpenReplace(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "keys")
	k := keys(t)
	require.NoError(t, Create(path, k))
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o600), info.Mode())

	back, err := Open(path)
	require.NoError(t, err)
	require.Equal(t, k.text(), back.text())
	require.Equal(t, k.VerifierKey(), back.VerifierKey())
	require.Regexp(t, `^readback\.[0-9a-f]{8}\+[0-9a-f]{8}\+`, k.VerifierKey())

	require.ErrorIs(t, Create(path, keys(t)), fs.ErrExist)
	again, err := Open(path)
	require.NoError(t, err)
	require.Equal(t, k.text(), again.text(), "what was there is left alone")

	require.NoError(t, Update(path, func(k *Keys) (*Keys, error) { return k.WithToken(rand.Reader, now, now.Add(5*time.Minute)) }))
	got, err := Open(path)
	require.NoError(t, err)
	require.Len(t, got.Tokens(), 2)
	require.Equal(t, k.Tokens()[0], got.Tokens()[1], "the older key still checks")
	require.Equal(t, now.Add(5*time.Minute), got.Tokens()[0].From)
	require.True(t, got.SameBut(k))
	require.False(t, got.SameBut(keys(t)))
	info, err = os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o600), info.Mode())
	require.NotEqual(t, got.Tokens()[0], got.Tokens()[1])
	require.Equal(t, k.VerifierKey(), got.VerifierKey())

	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, left, 1, "no temporary file stays")
	same := func(k *Keys) (*Keys, error) { return k, nil }
	require.ErrorIs(t, Update(filepath.Join(t.TempDir(), "none"), same), fs.ErrNotExist)

	// Each refusal leaves the file as it is.
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	link := filepath.Join(t.TempDir(), "link")
	require.NoError(t, os.Symlink(path, link))
	require.ErrorContains(t, Update(link, same), "it is a link")
	require.NoError(t, os.Chmod(path, 0o640))
	require.ErrorIs(t, Update(path, same), ErrPermissions)
	require.NoError(t, os.Chmod(path, 0o600))
	wrong := errors.New("no")
	require.ErrorIs(t, Update(path, func(*Keys) (*Keys, error) { return nil, wrong }), wrong)
	require.ErrorIs(t, Update(path, func(k *Keys) (*Keys, error) {
		require.ErrorIs(t, Update(path, same), ErrBusy, "while another changes it")
		return nil, wrong
	}), wrong)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
}

// TestTokenKeysGo: a key goes at the first rotation at which no token of its can be good any more, and not before.
func TestTokenKeysGo(t *testing.T) {
	t.Parallel()
	rotate := func(k *Keys, at time.Time, ahead time.Duration) *Keys {
		next, err := k.WithToken(rand.Reader, at, at.Add(ahead))
		require.NoError(t, err)
		return next
	}
	first := keys(t)
	second := rotate(first, now, time.Minute)
	require.Len(t, rotate(second, now.Add(time.Minute+longestToken), 0).Tokens(), 3, "the last moment at which one of the first may be good")
	third := rotate(second, now.Add(time.Minute+longestToken+time.Second), 0)
	require.Len(t, third.Tokens(), 2, "the first has gone")
	require.Equal(t, second.Tokens()[0], third.Tokens()[1])
	require.Equal(t, first.VerifierKey(), third.VerifierKey())
	require.True(t, third.SameBut(first))
	require.Len(t, rotate(third, now.AddDate(1, 0, 0), time.Minute).Tokens(), 2, "the one that signs now stays, however old")

	waiting := rotate(first, now, time.Hour)
	require.Equal(t, first.Tokens(), rotate(waiting, now, 0).Tokens()[1:], "one that has not begun to sign makes way")
	require.Len(t, rotate(waiting, now, 2*time.Hour).Tokens(), 3)

	_, err := first.WithToken(rand.Reader, now.Add(-time.Hour), now)
	require.ErrorIs(t, err, ErrAhead, "a clock that is behind drops no key that others sign with")

	full := first
	for range maxTokens - 1 {
		full = rotate(full, now, 0)
	}
	_, err = full.WithToken(rand.Reader, now, now)
	require.ErrorIs(t, err, ErrTooManyTokens)
}

func TestTwoCreateAtOnce(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "keys")
	sets := []*Keys{keys(t), keys(t), keys(t), keys(t)}
	errs := make([]error, len(sets))
	var wg sync.WaitGroup
	for i := range sets {
		wg.Go(func() { errs[i] = Create(path, sets[i]) })
	}
	wg.Wait()
	won := 0
	for i, err := range errs {
		if err == nil {
			won++
			got, err := Open(path)
			require.NoError(t, err)
			require.Equal(t, sets[i].text(), got.text())
			continue
		}
		require.ErrorIs(t, err, fs.ErrExist)
	}
	require.Equal(t, 1, won)
}

func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "keys")
	require.NoError(t, Create(path, keys(t)))
	for _, mode := range []fs.FileMode{0o640, 0o604, 0o660, 0o610, 0o644, 0o602} {
		require.NoError(t, os.Chmod(path, mode))
		_, err := Open(path)
		require.ErrorIs(t, err, ErrPermissions)
		require.ErrorContains(t, err, "chmod 600")
	}
	require.NoError(t, os.Chmod(path, 0o400))
	_, err := Open(path)
	require.NoError(t, err, "read only is closed enough")
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chown(path, 65534, 65534))
		_, err = Open(path)
		require.ErrorIs(t, err, ErrPermissions)
		require.ErrorContains(t, err, "another account")
	}

	_, err = Open(filepath.Join(dir, "none"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	_, err = Open(dir)
	require.ErrorContains(t, err, "directory")
	pipe := filepath.Join(dir, "pipe")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	_, err = Open(pipe)
	require.ErrorContains(t, err, "pipe")
	large := filepath.Join(dir, "large")
	require.NoError(t, os.WriteFile(large, make([]byte, maxFile+1), 0o600))
	_, err = Open(large)
	require.ErrorContains(t, err, "larger")
	require.Error(t, Create(filepath.Join(dir, "no", "such", "keys"), keys(t)))
}

func TestParseSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	k := keys(t)
	good := string(k.text())
	lines := strings.SplitAfter(good, "\n")
	_, err := parse([]byte(good))
	require.NoError(t, err)
	_, err = parse([]byte(strings.Replace(good, "\nsigning", "\n\n# a remark\nsigning", 1)))
	require.NoError(t, err)
	for _, c := range []struct{ text, want string }{
		{"", "no key file"},
		{"hello\n", "no key file"},
		{strings.Replace(good, "file 1", "file 2", 1), "another version"},
		{strings.TrimSuffix(good, "\n"), "middle of a line"},
		{lines[0] + lines[3] + lines[4], "wrapping key is missing"},
		{lines[0] + lines[2] + lines[4], "signing key is missing"},
		{lines[0] + lines[2] + lines[3], "token key is missing"},
		{good + lines[2], "line 6: want one wrapping key"},
		{good + lines[3], "line 6: want one signer key"},
		{good + strings.Repeat(lines[4], maxTokens), "at most 16"},
		{strings.Replace(good, "wrapping ", "wrapping A", 1), "line 3: want one wrapping key"},
		{strings.Replace(good, "PRIVATE+KEY", "PRIVATE+LOCK", 1), "line 4: want one signer key"},
		{strings.Replace(good, "token 2026-11-25", "token 2026-11-31", 1), "line 5: want a token key"},
		{strings.Replace(good, "token 2026-11-25T10:00:00Z", "token", 1), "line 5: want wrapping, signing or token"},
		{good + "password x\n", "line 6: want wrapping, signing or token"},
		{strings.Replace(good, "\nsigning ", "\nsigning  ", 1), "line 4"},
	} {
		_, err := parse([]byte(c.text))
		require.ErrorContains(t, err, c.want)
		for _, secret := range secrets(k) {
			require.NotContains(t, err.Error(), secret)
		}
	}
}

func TestKeysWork(t *testing.T) {
	t.Parallel()
	k, err := New("example.workshop/readback", rand.Reader, now)
	require.NoError(t, err)
	v, err := note.NewVerifier(k.VerifierKey())
	require.NoError(t, err)
	require.Equal(t, "example.workshop/readback", v.Name())
	msg, err := note.Sign(&note.Note{Text: "text\n"}, k.Signer())
	require.NoError(t, err)
	require.True(t, trail.SignedBy(msg, v))

	key, err := trail.NewKey(stream.NewID(), rand.Reader)
	require.NoError(t, err)
	box, err := k.Wrapping().Wrap(rand.Reader, key)
	require.NoError(t, err)
	back, err := k.Wrapping().Unwrap(box)
	require.NoError(t, err)
	require.Equal(t, key.Bytes(), back.Bytes())

	for _, name := range []string{"a b", "a+b", "a\nb", strings.Repeat("x", 101)} {
		_, err := New(name, rand.Reader, now)
		require.Error(t, err)
	}
	_, err = New("", strings.NewReader("dry"), now)
	require.Error(t, err)

	many := k
	for range maxTokens - 1 {
		many, err = many.WithToken(rand.Reader, now, now)
		require.NoError(t, err)
	}
	require.Len(t, many.Tokens(), maxTokens)
	_, err = parse(many.text())
	require.NoError(t, err)
}

func TestKeysDoNotPrint(t *testing.T) {
	t.Parallel()
	k := keys(t)
	asJSON, err := json.Marshal(struct{ K *Keys }{k})
	require.NoError(t, err)
	printed := string(asJSON) + k.String() + fmt.Sprintf("%v %+v %#v %s %x %d", k, k, k, k, k, k) + errors.New(fmt.Sprint(k)).Error()
	for _, secret := range secrets(k) {
		require.NotContains(t, printed, secret)
	}
}

func FuzzParse(f *testing.F) {
	f.Add(keys(f).text())
	f.Add([]byte(origin + "\nwrapping AAAA\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		k, err := parse(text)
		if err != nil {
			return
		}
		again, err := parse(k.text())
		require.NoError(t, err)
		require.Equal(t, k.text(), again.text())
	})
}
