// Package app is where everything is wired, and the only place that knows all parts. It opens the database, the keys and
// the hub, serves, and takes it all down again in the order that loses nothing: no new requests, sockets told to come
// back, running commands finished, then the database.
package app

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"
	_ "time/tzdata" // opening hours name a zone that the machine may not know

	"readback/internal/account"
	"readback/internal/calibration"
	"readback/internal/config"
	"readback/internal/fault"
	"readback/internal/job"
	"readback/internal/keyfile"
	"readback/internal/live"
	"readback/internal/notify"
	"readback/internal/postgres"
	"readback/internal/register"
	"readback/internal/stream"
)

// Rules are the rules of all kinds of stream.
func Rules() map[stream.Kind]stream.Rules {
	return map[stream.Kind]stream.Rules{
		stream.Register: register.Rules{}, stream.Job: job.Rules{}, stream.Calibration: calibration.Rules{},
	}
}

// patience is how long taking down one part may take.
const patience = 10 * time.Second

// App is everything but the network: database, keys, hub.
type App struct {
	cfg      config.Config
	log      *slog.Logger
	database *database
	db       *postgres.DB
	bus      *postgres.Bus
	tail     *postgres.Tail
	notifier *notify.Notifier
	keys     *keyfile.Keys
	tokens   *tokenKeys
	sessions *account.Sessions
	reviews  *reviews
	leases   *leases
	pasts    *pasts
	queues   *queues
	hub      *live.Hub
}

// Open opens all parts. The key file is made if there is none and the database is empty: with entries in it, another
// key file could not read what is sealed in them, and is refused.
func Open(ctx context.Context, cfg config.Config, log *slog.Logger) (*App, error) {
	a := &App{cfg: cfg, log: log, reviews: newReviews(), pasts: newPasts()}
	if err := a.open(ctx); err != nil {
		a.Close(context.WithoutCancel(ctx))
		return nil, err
	}
	return a, nil
}

func (a *App) open(ctx context.Context) (err error) {
	if a.database, err = openDatabase(ctx, a.cfg, a.log); err != nil {
		return err
	}
	if a.db, err = postgres.Open(ctx, a.database.url, postgres.Options{Log: a.log}); err != nil {
		return err
	}
	a.queues = newQueues(a.db)
	if a.keys, err = a.openKeys(ctx); err != nil {
		return err
	}
	store := &ownKeys{DB: a.db, keys: a.keys, path: a.cfg.KeyFile}
	err = store.check(ctx)
	if errors.Is(err, errOtherKeyFile) {
		return fault.New(fault.NotReady, fmt.Sprintf("The key file %s does not open the newest key in the database: put back the key file "+
			"that its entries were made with. readback verify --database names every key that does not open.", a.cfg.KeyFile)).Because(err)
	}
	if err != nil {
		return err
	}
	if a.sessions, err = a.openSessions(); err != nil {
		return err
	}
	if a.bus, err = a.db.Listen(ctx, postgres.Ended{Heard: a.sessions.Heard, Memory: a.sessions.Memory()}); err != nil {
		return err
	}
	a.tail = a.db.Follow(a.bus)
	a.leases = newLeases(a.db, a.cfg.LeaseLasts, a.log)
	a.notifier = notify.Start(notify.Config{
		Store: a.db, Keys: a.keys.Wrapping(), Rules: Rules(), News: a.tail.News(), Networks: a.cfg.WebhookNetworks, Log: a.log,
	})
	a.hub = live.New(live.Config{
		Store: store, Photos: a.db, Bus: a.bus, Keys: a.keys.Wrapping(), Rules: Rules(), Belonging: a.belonging, Changed: a.reviews.changed, Clues: clues,
		Fit: a.database.room, Urgent: map[string]bool{"stop": true, "void-setup": true, "end-leg": true}, Log: a.log,
		Adds: map[string]func(context.Context, stream.State, json.RawMessage) (string, any){"request": a.estimate, "take-over": a.unheard},
	})
	return nil
}

func (a *App) openKeys(ctx context.Context) (*keyfile.Keys, error) {
	path := a.cfg.KeyFile
	keys, err := openKeyFile(path)
	if !errors.Is(err, fs.ErrNotExist) {
		return keys, err
	}
	empty, err := a.db.Empty(ctx)
	if err != nil {
		return nil, err
	}
	if !empty {
		return nil, fault.New(fault.NotReady, fmt.Sprintf("There is no key file %s, but the database has entries: put back the key file "+
			"they were made with.", path))
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o711); err != nil { // the account of a private cluster passes through
		return nil, err
	}
	if keys, err = keyfile.New("", rand.Reader, time.Now()); err != nil {
		return nil, err
	}
	err = keyfile.Create(path, keys)
	if errors.Is(err, fs.ErrExist) { // another process was faster
		return openKeyFile(path)
	}
	if err != nil {
		return nil, err
	}
	a.log.InfoContext(ctx, "key file made: keep a copy apart from the database", slog.String("path", path))
	return keys, nil
}

// openKeyFile opens the key file. That it is not there is fs.ErrNotExist; that it is not usable, a setting to mend.
func openKeyFile(path string) (*keyfile.Keys, error) {
	keys, err := keyfile.Open(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fault.New(fault.InvalidInput, "The key file cannot be used.").Because(err)
	}
	return keys, err
}

// Close takes everything down, each part within its patience.
func (a *App) Close(ctx context.Context) error {
	var faults []error
	part := func(what string, close func(context.Context) error) {
		ctx, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		if err := close(ctx); err != nil {
			faults = append(faults, fmt.Errorf("close %s: %w", what, err))
		}
	}
	if a.hub != nil {
		part("the hub", a.hub.Shutdown)
	}
	if a.tail != nil {
		a.tail.Close()
	}
	if a.notifier != nil {
		a.notifier.Close()
	}
	if a.bus != nil {
		a.bus.Close()
	}
	if a.db != nil {
		part("the database's connections", a.db.Close)
	}
	if a.database != nil {
		part("the private database", a.database.close)
	}
	return errors.Join(faults...)
}

// openSessions makes the sessions of this node.
func (a *App) openSessions() (*account.Sessions, error) {
	var err error
	if a.tokens, err = openTokenKeys(a.keys, a.cfg, a.log); err != nil {
		return nil, err
	}
	return account.NewSessions(account.SessionsConfig{
		Store: a.db, Tokens: a.tokens.Tokens, Member: a.member,
		Idle: orDefault(a.cfg.SignInLasts, config.DefaultSignInLasts), AtMost: orDefault(a.cfg.SignInAtMost, config.DefaultSignInAtMost),
		Lasts: orDefault(a.cfg.TokenLasts, config.DefaultTokenLasts),
	}), nil
}

// member is nil for who the register gives as a member now.
func (a *App) member(ctx context.Context, org, member stream.ID) error {
	_, err := a.hub.Actor(ctx, org, member)
	return err
}

func orDefault(d, otherwise time.Duration) time.Duration {
	if d == 0 {
		return otherwise
	}
	return d
}
