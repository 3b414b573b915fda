package app

import (
	"context"
	"crypto/rand"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/keyfile"
	"readback/internal/stream"
	"readback/internal/token"
)

// heard is a log that gives each message to a test.
type heard chan string

func (h heard) Enabled(context.Context, slog.Level) bool      { return true }
func (h heard) Handle(_ context.Context, r slog.Record) error { h <- r.Message; return nil }
func (h heard) WithAttrs([]slog.Attr) slog.Handler            { return h }
func (h heard) WithGroup(string) slog.Handler                 { return h }
func (h heard) only(t *testing.T, message string) {
	require.Equal(t, message, <-h)
	require.Empty(t, h)
}

const (
	saysRead   = "token keys read"
	saysBroken = "the key file cannot be used; the keys read before stay"
)

// node is the token keys of one server on the key file at path.
func node(t *testing.T, path string) (*tokenKeys, heard) {
	t.Helper()
	keys, err := keyfile.Open(path)
	require.NoError(t, err)
	log := make(heard, 10)
	k, err := openTokenKeys(keys, config.Config{KeyFile: path}, slog.New(log))
	require.NoError(t, err)
	return k, log
}

func newKeyFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "keys")
	keys, err := keyfile.New("", rand.Reader, time.Now())
	require.NoError(t, err)
	require.NoError(t, keyfile.Create(path, keys))
	return path
}

func issue(t *testing.T, k *tokenKeys) (text, kid string) {
	t.Helper()
	text, _, err := k.Issue(stream.NewID(), stream.NewID(), stream.NewID())
	require.NoError(t, err)
	for _, key := range k.keys.Tokens() {
		one, err := token.New(token.Config{Issuer: k.keys.Signer().Name(), Audience: "readback", Keys: []token.Key{{Private: key.Key}}, Lasts: time.Hour, Now: time.Now})
		require.NoError(t, err)
		if _, err := one.Check(text); err == nil {
			kid = key.From.Format(time.RFC3339)
		}
	}
	return text, kid
}

func rotated(t *testing.T, path string, atOnce bool) string {
	t.Helper()
	r, err := RotateTokenKeys(config.Config{KeyFile: path}, atOnce)
	require.NoError(t, err)
	return r.Signs.Format(time.RFC3339)
}

// TestRotationReachesEveryNode: with nothing but time, all nodes know the new key minutes before any of them signs with
// it, each takes the tokens of each at every moment, and the wrapping and signing keys are as they were.
func TestRotationReachesEveryNode(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		path := newKeyFile(t)
		a, logA := node(t, path)
		time.Sleep(7 * time.Second) // of the test's clock: the nodes look at different moments
		b, logB := node(t, path)
		first := a.keys
		ctx, stop := context.WithCancel(t.Context())
		defer synctest.Wait()
		defer stop()
		go a.watch(ctx, nil)
		go b.watch(ctx, nil)
		_, began := issue(t, a)
		signs := rotated(t, path, false)
		kids := map[string]bool{}
		for range int((signingAhead + 20*time.Minute) / time.Second) {
			time.Sleep(time.Second)
			for _, from := range []*tokenKeys{a, b} {
				text, kid := issue(t, from)
				kids[kid] = true
				for _, to := range []*tokenKeys{a, b} {
					_, err := to.Check(text)
					require.NoError(t, err)
				}
			}
		}
		require.Equal(t, map[string]bool{began: true, signs: true}, kids)
		_, kid := issue(t, a)
		require.Equal(t, signs, kid)
		logA.only(t, saysRead)
		logB.only(t, saysRead)
		require.True(t, a.keys.SameBut(first))
		require.Equal(t, first.VerifierKey(), b.keys.VerifierKey())
	})
}

// TestUnknownKeyIsLookedFor: a node that has not read the file again since a rotation at once reads it when a token of the
// new key comes, and at most every two seconds, whatever comes.
func TestUnknownKeyIsLookedFor(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		path := newKeyFile(t)
		a, _ := node(t, path)
		b, log := node(t, path)
		old, _ := issue(t, b)
		time.Sleep(time.Second)
		signs := rotated(t, path, true)
		a.look()
		text, kid := issue(t, a)
		require.Equal(t, signs, kid)
		_, err := b.Check(text)
		require.NoError(t, err)
		log.only(t, saysRead)
		_, err = a.Check(old)
		require.NoError(t, err, "the old goes on")

		time.Sleep(time.Second)
		rotated(t, path, true)
		a.look()
		text, _ = issue(t, a)
		_, err = b.Check(text)
		require.True(t, fault.Is(err, fault.SignInNeeded), "it looked a second ago")
		time.Sleep(time.Second)
		_, err = b.Check(text)
		require.NoError(t, err)
	})
}

// TestABrokenFileTakesNothingAway: the keys stay, it is said once, and the file is followed again once it is mended.
func TestABrokenFileTakesNothingAway(t *testing.T) {
	t.Parallel()
	path := newKeyFile(t)
	k, log := node(t, path)
	text, _ := issue(t, k)
	good, err := os.ReadFile(path)
	require.NoError(t, err)
	other := newKeyFile(t)
	k.look()
	for name, spoil := range map[string]func() error{
		"half a file":          func() error { return os.WriteFile(path, good[:len(good)/2], 0o600) },
		"open to others":       func() error { return os.Chmod(path, 0o644) },
		"gone":                 func() error { return os.Remove(path) },
		"another wrapping key": func() error { return os.Rename(other, path) },
	} {
		require.NoError(t, spoil(), name)
		for range 3 {
			k.look()
		}
		log.only(t, saysBroken)
		_, err = k.Check(text)
		require.NoError(t, err, name)
		again, _ := issue(t, k)
		_, err = k.Check(again)
		require.NoError(t, err, name)
		require.NoError(t, os.WriteFile(path, good, 0o600))
		require.NoError(t, os.Chmod(path, 0o600))
		k.look()
		log.only(t, saysRead)
		k.look()
		require.Empty(t, log)
	}
}

func TestSIGHUP(t *testing.T) { // alone: the signal is the whole process's
	path := newKeyFile(t)
	k, log := node(t, path)
	told, deaf := hangups()
	defer deaf()
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { k.watch(ctx, told); close(done) }()
	rotated(t, path, false)
	require.NoError(t, syscall.Kill(os.Getpid(), syscall.SIGHUP))
	log.only(t, saysRead)
	stop()
	<-done
	require.Len(t, k.keys.Tokens(), 2)
}
