package app

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/keyfile"
	"readback/internal/token"
)

const (
	lookEvery    = 30 * time.Second // at the key file, unasked
	lookAtMost   = 2 * time.Second  // between two looks that tokens of unknown keys ask for
	signingAhead = 5 * time.Minute  // ten looks: a new key is with every node before it signs
)

// tokenKeys are the keys of access tokens as the key file has them, and follow it while the server runs. Everything else
// in the file stays what it was when the server began: the wrapping key and the key that signs heads do not change under
// it.
type tokenKeys struct {
	*token.Tokens
	path string
	log  *slog.Logger

	mu     sync.Mutex
	keys   *keyfile.Keys // as last read
	file   fs.FileInfo   // that they were read from
	looked time.Time
	wrong  string // what the last look found wrong, and was logged; empty: nothing
}

func openTokenKeys(keys *keyfile.Keys, cfg config.Config, log *slog.Logger) (*tokenKeys, error) {
	k := &tokenKeys{path: cfg.KeyFile, log: log, keys: keys}
	var err error
	k.Tokens, err = token.New(token.Config{
		Issuer: keys.Signer().Name(), Audience: "readback", Keys: setOf(keys),
		Lasts: orDefault(cfg.TokenLasts, config.DefaultTokenLasts), Now: time.Now, Unknown: k.asked,
	})
	return k, err
}

func setOf(keys *keyfile.Keys) (all []token.Key) {
	for _, t := range keys.Tokens() {
		all = append(all, token.Key{Private: t.Key, From: t.From})
	}
	return all
}

// hangups are the SIGHUPs of the process, which end nothing from now until stop.
func hangups() (told <-chan os.Signal, stop func()) {
	all := make(chan os.Signal, 1)
	signal.Notify(all, syscall.SIGHUP)
	return all, func() { signal.Stop(all) }
}

// watch follows the file until ctx ends: when told, and unasked.
func (k *tokenKeys) watch(ctx context.Context, told <-chan os.Signal) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-told:
		case <-tick.C:
		}
		k.look()
	}
}

// asked looks for a key that a token names and nobody knows. Anybody can make up such a token.
func (k *tokenKeys) asked() {
	k.mu.Lock()
	wait := time.Since(k.looked) < lookAtMost
	k.mu.Unlock()
	if !wait {
		k.look()
	}
}

// look reads the file if it has changed. A file that is not usable leaves the keys as they are, and is logged once.
func (k *tokenKeys) look() {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.looked = time.Now()
	file, err := os.Stat(k.path)
	if err == nil && k.wrong == "" && k.file != nil && unchanged(file, k.file) {
		return
	}
	keys, err := keyfile.Open(k.path)
	if err == nil && !keys.SameBut(k.keys) {
		err = errors.New("its wrapping key or its signing key is another: these change only with a start")
	}
	if err == nil {
		err = k.Use(setOf(keys))
	}
	if err != nil {
		if k.wrong != err.Error() {
			k.log.Error("the key file cannot be used; the keys read before stay", slog.String("path", k.path), slog.Any("cause", err))
		}
		k.wrong = err.Error()
		return
	}
	if was := k.keys.Tokens(); k.wrong != "" || len(was) != len(keys.Tokens()) || !was[0].Key.Equal(keys.Tokens()[0].Key) {
		k.log.Info("token keys read", slog.Int("keys", len(keys.Tokens())), slog.Time("latest_signs", keys.Tokens()[0].From))
	}
	k.keys, k.file, k.wrong = keys, file, ""
}

// unchanged reports whether nothing can have been written to the file, and whoever may read it is the same.
func unchanged(now, then fs.FileInfo) bool {
	return os.SameFile(now, then) && now.Size() == then.Size() && now.ModTime().Equal(then.ModTime()) && now.Mode() == then.Mode()
}

// Rotation is what a rotation of the token keys came to.
type Rotation struct {
	Signs   time.Time // the new key, from then on
	Keys    int       // in the file now
	Dropped int       // that no good token is left of
}

// RotateTokenKeys adds a token key to the key file, which servers follow. It signs once every server has had time to
// read it; at once, if there is only one.
func RotateTokenKeys(cfg config.Config, atOnce bool) (r Rotation, err error) {
	now := time.Now()
	from := now.Add(signingAhead)
	if atOnce {
		from = now
	}
	err = keyfile.Update(cfg.KeyFile, func(old *keyfile.Keys) (*keyfile.Keys, error) {
		next, err := old.WithToken(rand.Reader, now, from)
		if err == nil {
			all := next.Tokens()
			r = Rotation{Signs: all[0].From, Keys: len(all), Dropped: len(old.Tokens()) + 1 - len(all)}
		}
		return next, err
	})
	var path *fs.PathError
	var link *os.LinkError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = fault.New(fault.NotReady, fmt.Sprintf("There is no key file %s: the first init or serve makes it.", cfg.KeyFile)).Because(err)
	case errors.Is(err, keyfile.ErrTooManyTokens), errors.Is(err, keyfile.ErrAhead), errors.Is(err, keyfile.ErrBusy):
		err = fault.New(fault.NotReady, "The token keys cannot be rotated now. Try again later.").Because(err)
	case err != nil && !errors.As(err, &path) && !errors.As(err, &link): // the machine says what is wrong by itself
		err = fault.New(fault.InvalidInput, "The key file cannot be used.").Because(err)
	}
	return r, err
}
