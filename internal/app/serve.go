package app

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"readback/internal/account"
	"readback/internal/config"
	"readback/internal/device"
	"readback/internal/fault"
	"readback/internal/httpapi"
	"readback/internal/mail"
	"readback/internal/photo"
	"readback/internal/postgres"
	"readback/internal/webui"
	"readback/internal/wsconn"
)

// Migrate brings the tables of DATABASE_URL up to date and says which files it applied. login is the role that the
// server connects as, if another one.
func Migrate(ctx context.Context, cfg config.Config, login string) ([]string, error) {
	return postgres.Migrate(ctx, cfg.DatabaseURL, login)
}

// Serve serves until ctx ends, and returns nil then. announce is called with the address once requests are answered and,
// unless the server is not fit for them, commands taken.
func Serve(ctx context.Context, cfg config.Config, log *slog.Logger, version string, announce func(url string)) (err error) {
	listener, scheme, err := listen(cfg) // before anything is started or made: a port in use is the commonest mistake
	if err != nil {
		return err
	}
	defer listener.Close()  // closed already if it came to serving
	told, deaf := hangups() // as long as the process serves, it is not ended by one
	defer deaf()
	a, err := Open(ctx, cfg, log)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // stopped before it began
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.Close(context.WithoutCancel(ctx))) }()
	sockets := wsconn.New(wsconn.Config{Hub: a.hub, Check: a.sessions.Check, Still: a.sessions.Still, Cookie: httpapi.Cookie, Log: log})
	a.sessions.OnEnd(sockets.CloseSession)
	a.leases.connect(sockets.Connected)
	desk := account.NewDesk(accounts{a.db})
	post, err := postOf(cfg)
	if err != nil {
		return err
	}
	links := account.NewLinks(accounts{a.db}, a.db, accounts{a.db}, a.sessions, desk, post, cfg.PublicURL)
	api := &httpapi.Server{
		Hub: a.hub, Sessions: a.sessions, Accounts: desk, Passwords: account.NewPasswords(accounts{a.db}, desk, a.sessions), Links: links, PublicURL: cfg.PublicURL, Proxies: cfg.Proxies, Sockets: sockets, Lists: lists{a.db, a.queues, a.keys.Wrapping().Clue},
		Bundles: a, Photos: photo.NewTaker(), Webhooks: webhooks{a.db, a.keys.Wrapping()}, Devices: device.NewDesk(a.db, a.hub, nil), Written: written, TrailKey: a.keys.VerifierKey(), Version: version, Log: log,
		Pages: webui.Routes(), Heard: a.leases.heard, Unheard: a.leases.Unheard, Outlook: a.Outlook,
	}
	if err := a.hub.Settled(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		log.WarnContext(ctx, "serving, but commands are refused for now", slog.Any("cause", err))
	}
	server := &http.Server{
		Handler: api.Handler(), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: 2 * time.Minute,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	var beside sync.WaitGroup
	run, end := context.WithCancel(context.WithoutCancel(ctx))
	defer beside.Wait()
	defer end()
	beside.Go(func() { a.review(run, sockets) })
	beside.Go(func() { a.forget(run) })
	beside.Go(func() { a.makeClues(run) })
	beside.Go(func() { a.leases.keep(run, a.hub) })
	beside.Go(func() { a.tokens.watch(run, told) })
	beside.Go(func() {
		links.Work(run, func(err error) {
			log.WarnContext(run, "a link to set a password was not mailed", slog.Any("cause", err))
		})
	})
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	announce(scheme + "://" + listener.Addr().String() + "/")

	select {
	case <-ctx.Done():
	case err = <-served:
		err = fmt.Errorf("serve: %w", err)
	case err = <-a.database.failed: // nil for a given database: never
	}
	return errors.Join(err, stop(context.WithoutCancel(ctx), server, sockets))
}

// postOf is who sends letters, or nobody.
func postOf(cfg config.Config) (account.Post, error) {
	if cfg.SMTPURL == "" {
		return nil, nil
	}
	return mail.New(cfg.SMTPURL, cfg.MailFrom, nil)
}

func listen(cfg config.Config) (net.Listener, string, error) {
	var cert tls.Certificate
	if cfg.TLSCert != "" {
		var err error
		if cert, err = tls.LoadX509KeyPair(cfg.TLSCert, cfg.TLSKey); err != nil {
			return nil, "", fault.New(fault.InvalidInput, "The certificate and its key are not usable.",
				fault.Field{Name: "READBACK_TLS_CERT, READBACK_TLS_KEY", Want: "PEM files that belong together"}).Because(err)
		}
	}
	l, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return nil, "", fault.New(fault.InvalidInput, "Readback cannot listen where it should.",
			fault.Field{Name: "READBACK_LISTEN", Want: "an address of this machine that no other program listens on"}).Because(err)
	}
	if cfg.TLSCert == "" {
		return l, "http", nil
	}
	return tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}), "https", nil
}

// stop ends requests and sockets side by side: Shutdown of the HTTP server does not know the sockets.
func stop(ctx context.Context, server *http.Server, sockets *wsconn.Server) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	var requests, live error
	var both sync.WaitGroup
	both.Go(func() {
		if requests = server.Shutdown(ctx); requests != nil {
			server.Close() // those that did not end in time
		}
	})
	both.Go(func() { live = sockets.Shutdown(ctx) })
	both.Wait()
	return errors.Join(requests, live)
}
